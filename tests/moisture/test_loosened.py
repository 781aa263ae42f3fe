"""Work that loosens a lift counts from its own hour on: it says nothing of the hours before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

import hand_made
import numpy as np
import pytest
from hand_made import NOW_UTC, SETTINGS, at, row

from gonogo.decide import dry_back
from gonogo.decide.judge import Judgement, SiteDay, judge
from gonogo.moisture.simulate import Simulated, simulate
from gonogo.records.field import Entry, Reading, SurfaceWork
from gonogo.soil.ensemble import StripMoisture

SITE = hand_made.site([hand_made.strip(id="N1"), hand_made.strip(id="N2")])
WET_PCT = 18.0  # two points over the window
TESTS = tuple(Reading(strip_id=strip.id, at_utc=at(-30), w_pct=WET_PCT, method="oven") for strip in SITE.strips)
SUN = {"temp_degc": 24.0, "rh_pct": 40.0, "wind_2m_m_s": 3.0, "shortwave_w_m2": 320.0}
DISKED_H = 9.0  # of the day that is judged, three and a half hours after now


def simulated(*entries: Entry, **sky: object) -> Simulated:
    return simulate(
        SITE,
        now_utc=NOW_UTC,
        weather=hand_made.weather(**(SUN | sky)),
        entries=[*TESTS, *entries],
        settings=SETTINGS,
        rng=np.random.default_rng(1),
    )


def work(kind: str, hour: float) -> SurfaceWork:
    return SurfaceWork(strip_id="N1", at_utc=at(hour), work=kind)


def imagined(done: Simulated, *works: SurfaceWork) -> StripMoisture:
    """The site's moisture with work on N1 of which nobody has recorded anything."""
    first, second = done.histories
    return done.resimulate([0, 1], [replace(first, works=(*first.works, *works)), second])


def paths(moisture: StripMoisture) -> Sequence[np.ndarray]:
    return moisture.w_pct, moisture.w_top_pct, moisture.w_base_pct


def mean_pct(moisture: StripMoisture, s: int = 0) -> np.ndarray:
    return np.asarray(moisture.w_pct[:, s].mean(axis=-1))


@pytest.mark.parametrize("kind", ["disked", "mixed", "spread"])
@pytest.mark.parametrize("hour", [-20.0, -4.0, DISKED_H, 60.0])
def test_up_to_the_hour_of_the_work_nothing_is_otherwise(kind: str, hour: float) -> None:
    done = simulated()
    for plain, other in zip(paths(done.moisture), paths(imagined(done, work(kind, hour))), strict=True):
        if kind == "spread":  # a new lift is a stop of the run, which may round the last bit otherwise
            np.testing.assert_allclose(other[: row(hour)], plain[: row(hour)], rtol=0.0, atol=1e-9)
        else:
            np.testing.assert_array_equal(other[: row(hour) + 1], plain[: row(hour) + 1])
            np.testing.assert_array_equal(other[:, 1], plain[:, 1], err_msg="the strip beside it")


@pytest.mark.parametrize("hour", [-4.0, DISKED_H])
def test_the_mean_of_the_lift_is_the_same_in_the_hour_of_the_disking_and_follows_the_sun_from_there(
    hour: float,
) -> None:
    done = simulated()
    plain, disked = mean_pct(done.moisture), mean_pct(imagined(done, work("disked", hour)))
    assert disked[row(hour)] == plain[row(hour)]
    # One hour of sun takes less than half a millimetre, of 400 kg dry soil under a square metre.
    assert 0.0 < plain[row(hour)] - disked[row(hour) + 1] < 0.5 / 4.0 + 0.1
    assert disked[row(hour) + 1] > plain[row(hour) + 1] - 0.125


@pytest.mark.parametrize("shortwave_w_m2", [120.0, 320.0])
@pytest.mark.parametrize("hour", [-20.0, DISKED_H])
def test_where_nothing_falls_a_disked_lift_is_never_the_wetter_one(hour: float, shortwave_w_m2: float) -> None:
    done = simulated(shortwave_w_m2=shortwave_w_m2)
    plain, disked = mean_pct(done.moisture), mean_pct(imagined(done, work("disked", hour)))
    after = slice(row(hour), None)
    assert np.all(disked[after] <= plain[after] + 1e-9)
    assert disked[row(hour) + 24] < plain[row(hour) + 24] - 0.2


def test_a_recorded_disking_dries_a_lift_by_the_sun_that_came_after_it_and_by_no_more() -> None:
    """It was disked in the last hour before the mail, in the dark: no lift becomes fit by being written down."""
    plain, disked = simulated(), simulated(work("disked", 5.0))
    now = row(5.5)
    assert mean_pct(disked.moisture)[now] == mean_pct(plain.moisture)[now]
    early = simulated(work("disked", -29.0))
    assert mean_pct(early.moisture)[now] < mean_pct(plain.moisture)[now] - 0.3


def test_a_lift_that_was_spread_before_the_weather_begins_is_loose_in_every_hour() -> None:
    long_ago = SurfaceWork(strip_id="N1", at_utc=hand_made.FIRST_UTC - timedelta(days=2), work="disked")
    just_before = replace(long_ago, at_utc=hand_made.FIRST_UTC - timedelta(hours=1))
    before, from_then = (simulated(entry).moisture for entry in (long_ago, just_before))
    np.testing.assert_array_equal(before.w_pct, from_then.w_pct)
    assert mean_pct(before)[-1] < mean_pct(simulated().moisture)[-1] - 0.5


def test_sealing_slows_the_drying_of_a_disked_lift() -> None:
    done = simulated()
    disked = mean_pct(imagined(done, work("disked", DISKED_H)))
    sealed = mean_pct(imagined(done, work("disked", DISKED_H), work("sealed", 16.0)))
    assert np.all(sealed[: row(16.0) + 1] == disked[: row(16.0) + 1])
    assert sealed[row(40.0)] > disked[row(40.0)] + 0.1


def judged() -> Judgement:
    asked = SiteDay(site=SITE, day=hand_made.DAY, now_utc=NOW_UTC, settings=SETTINGS)
    return judge(asked, weather=hand_made.weather(**SUN), entries=TESTS, rng=np.random.default_rng(1))


def test_the_way_back_of_a_wet_lift_begins_where_the_lift_is() -> None:
    judgement = judged()
    path = judgement.disked["N1"]
    first = row((path.disk_utc[0] - at(0)).total_seconds() / 3600.0)
    np.testing.assert_array_equal(path.w_pct[: first + 1], judgement.inputs.w_pct[: first + 1, 0])
    inside = dry_back.chance_inside(judgement.inputs, 0, path, path.disk_utc[0].timestamp() / 3600.0, 0.0)
    w_pct = judgement.inputs.w_pct[first : first + 1, 0]
    assert inside == np.mean((w_pct >= 12.0) & (w_pct <= 16.0))


def test_the_second_disking_of_a_day_dries_the_lift_further_and_leaves_its_layers_alike() -> None:
    done = simulated()
    once = imagined(done, work("disked", 9.0))
    twice = imagined(done, work("disked", 9.0), work("disked", 13.0))
    assert np.all(mean_pct(twice)[row(14.0) :] <= mean_pct(once)[row(14.0) :] + 1e-9)
    assert mean_pct(once)[row(24.0)] - mean_pct(twice)[row(24.0)] > 0.02
    apart = [np.abs(m.w_top_pct - m.w_base_pct)[row(14.0), 0].mean() for m in (once, twice)]
    assert apart[1] < 0.5 * apart[0]


def test_a_lift_that_is_disked_every_day_is_ahead_of_one_that_was_disked_once() -> None:
    done = simulated()
    once = imagined(done, work("disked", 9.0))
    daily = imagined(done, *(work("disked", 24.0 * day + hour) for day in range(4) for hour in (9.0, 13.0)))
    assert mean_pct(once)[row(96.0)] - mean_pct(daily)[row(96.0)] > 0.5
