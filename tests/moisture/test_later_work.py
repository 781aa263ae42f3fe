"""What would be after work to come is taken on from the last test, and comes to what a whole run would."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import hand_made
import numpy as np
import pytest
from hand_made import NOW_UTC, SETTINGS, at

from gonogo.moisture import later_work, strips_run
from gonogo.moisture.lift_history import LiftHistory
from gonogo.moisture.simulate import Simulated, simulate
from gonogo.records.field import Entry, Reading, SurfaceWork, Watering
from gonogo.soil.ensemble import StripMoisture

SITE = hand_made.site(
    [
        hand_made.strip(id="N1"),
        hand_made.strip(id="N2"),
        hand_made.strip(id="never-tested"),
        hand_made.strip(id="in-place", ground="natural"),
    ]
)
TO_COME = (5.0, 9.0, 33.0)


def reading(strip_id: str, hour: float, w_pct: float) -> Reading:
    return Reading(strip_id=strip_id, at_utc=at(hour), w_pct=w_pct, method="oven")


def worked(strip_id: str, kind: str, hour: float) -> SurfaceWork:
    return SurfaceWork(strip_id=strip_id, at_utc=at(hour), work=kind)


TESTS: tuple[Entry, ...] = (
    reading("N1", -80, 17.0), reading("N1", -30, 18.0), reading("N2", -50, 15.0), reading("in-place", -44, 16.0),
)  # fmt: skip
ENTRIES: dict[str, tuple[Entry, ...]] = {
    "tests": TESTS,
    "none": (),
    "disked before": (*TESTS, worked("N1", "disked", -60), worked("N1", "disked", -20), worked("N2", "sealed", -3)),
    "spread since": (*TESTS, worked("N2", "spread", -10)),
    "watered": (*TESTS, Watering(strip_id="N2", at_utc=at(-6), litres=4000.0)),
    "rain is no test": (*TESTS, reading("N2", -1, 30.0)),
}


def simulated(entries: Sequence[Entry]) -> Simulated:
    rain = np.where(np.arange(384)[:, None] % 40 < 3, np.random.default_rng(4).gamma(1.0, 1.0, (384, 50)), 0.0)
    weather = hand_made.weather(temp_degc=21.0, rh_pct=50.0, wind_2m_m_s=3.0, shortwave_w_m2=250.0)
    weather = replace(
        weather, rain_members_mm=rain[: len(weather.hour_utc)], rain_peaks_mm=rain[: len(weather.hour_utc)]
    )
    return simulate(
        SITE, now_utc=NOW_UTC, weather=weather, entries=entries, settings=SETTINGS, rng=np.random.default_rng(1)
    )


def with_disking(done: Simulated, rows: Sequence[int], hours: Sequence[float] = TO_COME) -> list[LiftHistory]:
    return [
        replace(
            done.histories[s],
            works=(*done.histories[s].works, *(worked(SITE.strips[s].id, "disked", hour) for hour in hours)),
        )
        for s in rows
    ]


def assert_same(found: StripMoisture, whole: StripMoisture) -> None:
    for name in ("w_pct", "w_top_pct", "w_base_pct", "error_terms"):
        np.testing.assert_array_equal(getattr(found, name), getattr(whole, name), err_msg=name)
    assert [k.n_readings for k in found.knowledge] == [k.n_readings for k in whole.knowledge]
    np.testing.assert_array_equal([k.mean for k in found.knowledge][:1], [k.mean for k in whole.knowledge][:1])


@pytest.fixture
def taken(monkeypatch: pytest.MonkeyPatch) -> list[bool]:
    """Whether strips were taken on, group by group."""
    found: list[bool] = []

    def counted(*args: object) -> StripMoisture | None:
        made = later_work.taken_on(*args)  # type: ignore[arg-type]
        found.append(made is not None)
        return made

    monkeypatch.setattr(strips_run, "taken_on", counted)
    return found


def run_anew(done: Simulated, rows: Sequence[int], happened: Sequence[LiftHistory]) -> StripMoisture:
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(strips_run, "taken_on", lambda *_: None)
        return done.resimulate(rows, happened)


@pytest.mark.parametrize("name", ENTRIES)
@pytest.mark.parametrize("rows", [(0, 1, 2, 3), (1,), (2, 0)])
def test_strips_disked_in_hours_to_come_are_taken_on_to_the_same_bits(
    name: str, rows: Sequence[int], taken: list[bool]
) -> None:
    done = simulated(ENTRIES[name])
    happened = with_disking(done, rows)
    assert_same(done.resimulate(rows, happened), run_anew(done, rows, happened))
    assert taken
    assert all(taken)


def test_what_was_taken_on_leaves_the_run_as_it_was(taken: list[bool]) -> None:
    done = simulated(TESTS)
    before = done.moisture.w_pct.copy()
    first = done.resimulate([0, 1], with_disking(done, [0, 1]))
    again = done.resimulate([0, 1], with_disking(done, [0, 1]))
    np.testing.assert_array_equal(first.w_pct, again.w_pct)
    np.testing.assert_array_equal(done.moisture.w_pct, before)
    assert all(taken)


@pytest.mark.parametrize("changed", ["disked before the last test", "another lift", "another test"])
def test_what_is_otherwise_before_the_last_test_is_run_anew(changed: str, taken: list[bool]) -> None:
    done = simulated(TESTS)
    (history,) = with_disking(done, [0])
    if changed == "disked before the last test":
        (history,) = with_disking(done, [0], hours=[-31.0])
    elif changed == "another lift":
        history = replace(history, works=(*history.works, worked("N1", "spread", 40.0)))
    else:
        history = replace(history, readings=(*history.readings[:-1], reading("N1", -30, 14.0)))
    found = done.resimulate([0], [history])
    assert taken == [False]
    np.testing.assert_array_equal(found.w_pct, run_anew(done, [0], [history]).w_pct)
