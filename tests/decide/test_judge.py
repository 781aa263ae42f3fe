"""From entries to verdicts: whose lift a reading belongs to, what work leaves behind, and what nobody can know."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from example_mornings import example_config, recorded
from sites import STRIP

from gonogo.cli import demo
from gonogo.decide.judge import Judgement, SiteDay, judge
from gonogo.moisture.learned import LearnedSoil
from gonogo.moisture.lift_history import SURFACE_AFTER, lift_history
from gonogo.moisture.simulate import Kept
from gonogo.records.field import Entry, Reading, SurfaceWork, Watering
from gonogo.records.site import Surface
from gonogo.records.verdict import Verdict
from gonogo.soil.readings import UNEXPLAINED
from gonogo.weather import series
from gonogo.weather.series import HourlyWeather
from gonogo.weather.table import ReceivedForecast

NOW = demo.MORNING_UTC


def reading(hours_ago: float, w_pct: float = 11.5, strip_id: str = "S1", method: str = "oven") -> Reading:
    return Reading(strip_id=strip_id, at_utc=NOW - timedelta(hours=hours_ago), w_pct=w_pct, method=method)


def work(hours_ago: float, what: str, strip_id: str = "S1") -> SurfaceWork:
    return SurfaceWork(strip_id=strip_id, at_utc=NOW - timedelta(hours=hours_ago), work=what)


def judged(
    tmp_path: Path,
    *entries: Entry,
    first_hour: datetime | None = None,
    stored: tuple[LearnedSoil, ...] = (),
    melt_mm: np.ndarray | None = None,
) -> Judgement:
    """Judge the example site with these entries alone, on its weather from first_hour on."""
    loaded = example_config(tmp_path)
    site = loaded.sites[0]
    downloaded = recorded(site, NOW, ())
    weather = series.check(
        ReceivedForecast(parsed=downloaded.parsed, fetched_utc=downloaded.answer.fetched_utc),
        site=site,
        now_utc=NOW,
        gauge=(),
        n_members=50,
        rng=np.random.default_rng(1),
    )
    if first_hour is not None:
        weather = _from(weather, first_hour)
    if melt_mm is not None:
        weather = replace(weather, melt_mm=melt_mm)
    return judge(
        SiteDay(site=site, day=demo.DAY, now_utc=NOW, settings=loaded.settings[site.id]),
        weather=weather,
        entries=entries,
        rng=np.random.default_rng(2),
        kept=Kept(learned=stored),
    )


def _from(weather: HourlyWeather, first_hour: datetime) -> HourlyWeather:
    keep = weather.hour_utc >= np.datetime64(first_hour.replace(tzinfo=None), "h")
    hourly = {
        f: getattr(weather, f)[keep] for f in HourlyWeather.__slots__ if isinstance(getattr(weather, f), np.ndarray)
    }
    return replace(weather, **hourly)


def of(result: Judgement, strip_id: str):  # type: ignore[no-untyped-def]
    return next(d for d in result.decisions if d.strip_id == strip_id)


def test_a_new_lift_begins_a_new_story() -> None:
    entries = [reading(30), work(20, "rolled"), work(10, "spread"), reading(5, 12.0)]
    strip = replace(STRIP, id="S1")
    history = lift_history(strip, entries, NOW)
    assert [r.w_pct for r in history.readings] == [12.0]
    assert not history.is_rolled
    assert history.surface(strip) == Surface.LOOSE


def test_what_has_not_happened_yet_and_other_strips_are_left_out() -> None:
    entries = [reading(-1), reading(3, strip_id="S2"), reading(2, 10.0)]
    history = lift_history(replace(STRIP, id="S1"), entries, NOW)
    assert [r.w_pct for r in history.readings] == [10.0]


@pytest.mark.parametrize(
    ("what", "surface"),
    [("rolled", Surface.SEALED), ("sealed", Surface.SEALED), ("disked", Surface.SCARIFIED), ("spread", Surface.LOOSE)],
)
def test_each_work_leaves_its_surface(what: str, surface: Surface) -> None:
    strip = replace(STRIP, id="S1", surface=Surface.SCARIFIED)
    assert lift_history(strip, [work(1, what)], NOW).surface(strip) == surface
    assert lift_history(strip, [], NOW).surface(strip) == Surface.SCARIFIED


def test_a_strip_in_its_window_compacts_and_the_same_strip_rolled_does_not(tmp_path: Path) -> None:
    assert of(judged(tmp_path, reading(12)), "S1").verdict == Verdict.COMPACT
    done = of(judged(tmp_path, reading(12), work(2, "rolled")), "S1")
    assert done.verdict == Verdict.WAIT
    assert done.reason == "already_rolled"


def test_water_put_on_since_the_reading_is_in_the_lift(tmp_path: Path) -> None:
    spread = work(20, "spread")
    dry = of(judged(tmp_path, spread, reading(12, 8.0)), "S1")
    watered = Watering(strip_id="S1", at_utc=NOW - timedelta(hours=3), litres=10_000.0)
    wet = of(judged(tmp_path, spread, reading(12, 8.0), watered), "S1")
    strip = example_config(tmp_path).sites[0].strip("S1")
    added_pct = 100.0 * 10_000.0 / strip.area_m2 / strip.dry_mass_kg_m2
    assert wet.w_now_pct - dry.w_now_pct == pytest.approx(added_pct, abs=0.25)


def test_no_strip_compacts_without_a_reading(tmp_path: Path) -> None:
    result = judged(tmp_path)
    assert {d.verdict for d in result.decisions} == {Verdict.WAIT}
    assert {d.reason for d in result.decisions} == {"no_reading"}


def test_a_reading_from_before_the_weather_table_compacts_nothing(tmp_path: Path) -> None:
    # What fell between the test and the first known hour is unknown, so the test says nothing of this morning.
    first_known = NOW.replace(minute=0) - timedelta(hours=6)
    decision = of(judged(tmp_path, reading(12), first_hour=first_known), "S1")
    assert decision.verdict == Verdict.WAIT
    assert decision.reason == "not_knowable"
    assert np.isnan(decision.facts["rained_since_reading_mm"])
    known = of(judged(tmp_path, reading(5), first_hour=first_known), "S1")
    assert known.verdict == Verdict.COMPACT


@pytest.mark.parametrize(("w_pct", "what"), [(45.0, "impossible"), (19.0, "far off")])
def test_a_newest_test_that_does_not_fit_makes_the_strip_wait_for_a_second_one(
    tmp_path: Path, w_pct: float, what: str
) -> None:
    first = reading(12)
    assert of(judged(tmp_path, first), "S1").verdict == Verdict.COMPACT
    result = judged(tmp_path, first, reading(2, w_pct))
    decision = of(result, "S1")
    assert (decision.verdict, decision.reason) == (Verdict.WAIT, "reading_doubtful"), what
    assert "repeat_reading" in decision.test
    # It is kept and said, and it makes no older test fresh.
    assert [note[0].w_pct for note in result.reading_flags] == [w_pct]
    assert decision.facts["reading_age_h"] == pytest.approx(12.0)
    assert of(result, "S2").reason == "no_reading"


@pytest.mark.parametrize("minutes_ago", [20, 80])
def test_no_test_outside_the_window_within_the_hour_is_weighed_away(tmp_path: Path, minutes_ago: int) -> None:
    # The tests before say 11.5; the newest one lies above the wet edge, yet near enough not to be doubted.
    before = [reading(60, 11.6), reading(36, 11.5), reading(12, 11.5)]
    dry = judged(tmp_path, *before)
    assert of(dry, "S1").verdict == Verdict.COMPACT
    material = dry.inputs.material(dry.inputs.site.strip("S1"))
    edge_pct = material.omc_pct + material.window_high_pct
    newest = reading(minutes_ago / 60.0, edge_pct + 0.1, method="nuclear gauge")
    result = judged(tmp_path, *before, newest)
    one = of(result, "S1")
    assert one.w_now_pct < edge_pct - 1.0, "the members weigh the test against those before"
    assert one.facts["last_test_pct"] == pytest.approx(edge_pct + 0.1)
    assert (one.verdict, one.reason) == (Verdict.WAIT, "test_outside")
    # A second test that lies inside releases it, or leaves it to the chance.
    again = of(judged(tmp_path, *before, replace(newest, at_utc=NOW - timedelta(hours=2)), reading(0.5, 11.7)), "S1")
    assert (again.verdict, again.facts["is_test_outside"]) == (Verdict.COMPACT, 0.0)


def test_an_impossible_only_test_is_no_test(tmp_path: Path) -> None:
    decision = of(judged(tmp_path, reading(2, 45.0)), "S1")
    assert decision.verdict == Verdict.WAIT
    assert decision.facts["has_reading"] == 0.0


def test_a_second_test_that_agrees_lifts_the_doubt(tmp_path: Path) -> None:
    decision = of(judged(tmp_path, reading(12), reading(3, 19.0), reading(2, 18.6)), "S1")
    assert decision.facts["is_reading_doubtful"] == 0.0
    assert decision.facts["reading_age_h"] == pytest.approx(2.0)
    assert decision.reason == "too_wet"


def test_a_lift_that_gains_water_from_nowhere_is_said_to(tmp_path: Path) -> None:
    steady = [reading(24.0 * d, 11.0 + 0.7 * (6 - d)) for d in range(6, 0, -1)]
    result = judged(tmp_path, *steady)
    assert UNEXPLAINED in [key for _, key, _ in result.reading_flags]
    assert "look_for_water" in of(result, "S1").advice
    assert "look_for_water" not in of(judged(tmp_path, *steady[:2]), "S1").advice


def test_what_was_learned_is_handed_out_and_taken_up_again(tmp_path: Path) -> None:
    slow = [reading(24.0 * d, 12.5 - 0.1 * (8 - d)) for d in range(8, 0, -2)]
    taught = judged(tmp_path, *slow)
    (learned,) = taught.learned
    assert (learned.strip_id, learned.n_readings, learned.through_utc) == ("S1", 3, slow[-1].at_utc)
    last = reading(6, 12.2)
    plain, wiser = judged(tmp_path, last), judged(tmp_path, last, stored=(learned,))
    assert plain.learned == wiser.learned == ()
    later = -1
    assert wiser.moisture.w_pct[later, 5].mean() != plain.moisture.w_pct[later, 5].mean()
    assert wiser.moisture.knowledge[5].mean == pytest.approx(list(learned.score_mean.values()))
    # Made again with its own record in the store, the morning says the same: nothing counts twice.
    again = judged(tmp_path, *slow, stored=(learned,))
    assert np.all(again.moisture.w_pct[:, 5] == taught.moisture.w_pct[:, 5])
    assert again.learned == taught.learned


def test_the_surface_table_has_a_row_for_each_work() -> None:
    from gonogo.field.lifts import WORKS

    assert set(SURFACE_AFTER) == set(WORKS)


def test_snow_that_melted_since_the_test_wets_it_as_rain_does(tmp_path: Path) -> None:
    dry = of(judged(tmp_path, reading(12)), "S1")
    site_weather = judged(tmp_path, reading(12)).inputs.weather
    now = int(np.searchsorted(site_weather.hour_utc, np.datetime64(NOW.replace(tzinfo=None), "h")))
    melt = np.zeros(len(site_weather.hour_utc))
    melt[now - 20], melt[now - 6], melt[now + 1] = 100.0, 12.0, 100.0  # before the test, since it, to come
    wet = of(judged(tmp_path, reading(12), melt_mm=melt), "S1")
    assert wet.facts["rained_since_reading_mm"] == pytest.approx(dry.facts["rained_since_reading_mm"] + 12.0)
    assert wet.verdict == Verdict.WAIT
