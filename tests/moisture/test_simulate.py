"""Entries meet the hours of the weather: what was put on, tested, worked or frozen counts in its own hour."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import Any

import hand_made
import numpy as np
import pytest
from hand_made import N_HOURS, SETTINGS, at, row

from gonogo.moisture.simulate import Simulated, simulate
from gonogo.records.field import Entry, GroundSeen, Reading, SurfaceWork, Watering

STRIP = hand_made.strip()
# No sun, no wind, air full of vapour: nothing evaporates, so that water moves only where it is brought.
STILL = {"temp_degc": 5.0, "rh_pct": 100.0, "wind_2m_m_s": 0.5, "shortwave_w_m2": 0.0}
# Seen to be spread: what is not recorded counts as lying there for long, and shares its rain with what lies below.
SPREAD = SurfaceWork(strip_id=STRIP.id, at_utc=at(-31), work="spread")
SURE = Reading(strip_id=STRIP.id, at_utc=at(-30), w_pct=11.0, method="oven")  # below field capacity: nothing drains


def simulated(*entries: Entry, rain_mm: object = 0.0, spread: bool = True, **sky: object) -> Simulated:
    return simulate(
        hand_made.site([STRIP]),
        now_utc=hand_made.NOW_UTC,
        weather=hand_made.weather(rain_mm, **(STILL | sky)),
        entries=[*[SPREAD] * spread, SURE, *entries],
        settings=SETTINGS,
        rng=np.random.default_rng(1),
    )


def mean_pct(done: Simulated) -> np.ndarray:
    """Mean water content at the start of each hour, (H + 1,)."""
    return done.moisture.w_pct[:, 0].mean(axis=-1)


def added_pct(other: Simulated, plain: Simulated) -> np.ndarray:
    return mean_pct(other) - mean_pct(plain)


def in_hour(hour: float, mm: float = 6.0) -> np.ndarray:
    rain = np.zeros(N_HOURS)
    rain[row(hour)] = mm
    return rain


def test_truck_water_is_in_the_lift_at_the_end_of_its_hour_and_by_its_depth() -> None:
    """10,000 L on 800 m2 of 400 kg/m2: 12.5 mm, 3.125 points."""
    truck = Watering(strip_id=STRIP.id, at_utc=at(-10) + timedelta(minutes=50), litres=10_000.0)
    added = added_pct(simulated(truck), simulated())
    assert np.all(added[: row(-10) + 1] == 0.0)
    assert added[row(-9)] == pytest.approx(3.125, abs=0.02)  # the rest is on its way to what lies below


def test_rain_is_in_the_lift_at_the_end_of_its_hour() -> None:
    added = added_pct(simulated(rain_mm=in_hour(-10, 1.0)), simulated())
    assert np.all(added[: row(-10) + 1] == 0.0)
    assert 0.2 < added[row(-9)] <= 0.25 + 1e-9  # 1 mm on 400 kg/m2; a little runs off between loose clods


@pytest.mark.parametrize(("minutes", "hour"), [(-29, -10), (0, -10), (29, -10), (31, -9)])
def test_a_test_counts_at_the_nearest_full_hour(minutes: int, hour: int) -> None:
    second = Reading(strip_id=STRIP.id, at_utc=at(-10) + timedelta(minutes=minutes), w_pct=11.6, method="oven")
    moved = np.flatnonzero(np.abs(added_pct(simulated(second), simulated())) > 0.05)
    assert moved[0] == row(hour)


def test_a_sealed_lift_sheds_the_rain_of_the_very_hour_in_which_it_was_sealed() -> None:
    sealed = SurfaceWork(strip_id=STRIP.id, at_utc=at(-10) + timedelta(minutes=20), work="sealed")
    for hour, sheds in ((-11, False), (-10, True), (-9, True)):
        dry, wet = simulated(sealed), simulated(sealed, rain_mm=in_hour(hour))
        loose = added_pct(simulated(rain_mm=in_hour(hour)), simulated())[row(hour) + 1]
        share = added_pct(wet, dry)[row(hour) + 1] / loose
        assert share < 0.5 if sheds else share == pytest.approx(1.0)


def test_work_from_before_the_table_still_shapes_the_surface() -> None:
    long_ago = SurfaceWork(strip_id=STRIP.id, at_utc=hand_made.FIRST_UTC - timedelta(hours=1), work="sealed")
    rain = in_hour(-10)
    sealed, loose = (mean_pct(simulated(*works, rain_mm=rain, spread=False))[-1] for works in ([long_ago], []))
    assert sealed < loose - 0.05


FROZEN: list[dict[str, Any]] = [
    {"surface_temp_degc": -3.0},
    {"temp_degc": -3.0},
    {"frost_depth_mm": np.full(N_HOURS, 40.0)},
]


@pytest.mark.parametrize("sky", FROZEN, ids=["surface", "air where no surface is known", "frost in the lift"])
def test_each_kind_of_frost_alone_stops_the_water(sky: dict[str, Any]) -> None:
    path = mean_pct(simulated(**sky))
    assert np.ptp(path[row(-29) :]) == pytest.approx(0.0, abs=1e-9)


def test_rain_runs_off_ground_in_which_frost_stands_and_wets_thawed_ground_however_cold_the_air() -> None:
    surface, air, in_the_lift = (mean_pct(simulated(rain_mm=in_hour(-10), **sky)) for sky in FROZEN)
    assert np.ptp(in_the_lift[row(-29) :]) == pytest.approx(0.0, abs=1e-9)
    for path in (surface, air):
        assert path[row(-8)] > path[row(-12)] + 0.3


def test_frozen_ground_under_air_above_freezing_does_not_dry_and_a_thin_crust_hinders_nothing() -> None:
    sunny = {"temp_degc": 8.0, "rh_pct": 50.0, "wind_2m_m_s": 3.0, "shortwave_w_m2": 300.0}
    frozen = mean_pct(simulated(**sunny, frost_depth_mm=np.full(N_HOURS, 40.0)))
    crusted = mean_pct(simulated(**sunny, frost_depth_mm=np.full(N_HOURS, 5.0)))
    assert frozen[-1] == pytest.approx(frozen[row(-29)], abs=1e-9)
    assert crusted[-1] < crusted[row(-29)] - 1.0


def test_a_lift_of_half_the_thickness_gains_twice_the_points() -> None:
    site = hand_made.site([hand_made.strip(id="thin", lift_thickness_m=0.125), hand_made.strip(id="thick")])

    def of_both(entries: Sequence[Entry]) -> np.ndarray:
        done = simulate(
            site,
            now_utc=hand_made.NOW_UTC,
            weather=hand_made.weather(**STILL),
            entries=entries,
            settings=SETTINGS,
            rng=np.random.default_rng(1),
        )
        return done.moisture.w_pct[row(-9)].mean(axis=-1)

    tests = [Reading(strip_id=name, at_utc=at(-30), w_pct=10.0, method="oven") for name in ("thin", "thick")]
    trucks = [Watering(strip_id=name, at_utc=at(-10), litres=3200.0) for name in ("thin", "thick")]
    thin, thick = of_both([*tests, *trucks]) - of_both(tests)
    assert thin / thick == pytest.approx(2.0, rel=0.02)
    assert thick == pytest.approx(1.0, abs=0.03)  # a little is on its way to what lies below


COLD = {"temp_degc": np.where(np.arange(N_HOURS) < row(-8), -1.0, 4.0), "surface_temp_degc": 2.0}


def test_melt_water_wets_a_strip_with_snow_and_none_that_was_cleared_of_it() -> None:
    snow = {"snow_mm": in_hour(-20, 30.0), "snow_lying_mm": np.full(N_HOURS, 150.0), "melt_mm": np.zeros(N_HOURS)}
    snow["melt_mm"][row(-8) :] = 0.4
    cleared = GroundSeen(strip_id=STRIP.id, at_utc=at(-9), state="cleared")
    lying, bare, none = simulated(**COLD, **snow), simulated(cleared, **COLD, **snow), simulated(**COLD)
    assert added_pct(lying, none)[row(6)] > 1.0
    assert added_pct(bare, none)[row(6)] == pytest.approx(0.0, abs=1e-9)


def test_a_pond_soaks_in_until_it_is_drained() -> None:
    pond = GroundSeen(strip_id=STRIP.id, at_utc=at(-10), state="pond", lying_mm=8.0)
    drained = GroundSeen(strip_id=STRIP.id, at_utc=at(-9), state="drained")
    stood, let_off = added_pct(simulated(pond), simulated()), added_pct(simulated(pond, drained), simulated())
    assert np.all(stood[: row(-10) + 1] == 0.0)
    assert stood[row(-9)] == pytest.approx(let_off[row(-9)])
    assert 0.3 < let_off[row(-4)] < stood[row(-4)] < 2.01  # 8 mm on 400 kg/m2 are two points


def test_strips_cleared_at_other_hours_run_as_each_would_alone() -> None:
    strips = [hand_made.strip(id=f"N{k}") for k in range(4)]
    snow = {"snow_lying_mm": np.full(N_HOURS, 150.0), "melt_mm": np.where(np.arange(N_HOURS) < row(-8), 0.0, 0.4)}
    entries = [
        *(SurfaceWork(strip_id=s.id, at_utc=at(-31), work="spread") for s in strips),
        *(Reading(strip_id=s.id, at_utc=at(-30), w_pct=11.0, method="oven") for s in strips),
        *(GroundSeen(strip_id=f"N{k}", at_utc=at(hour), state="cleared") for k, hour in ((1, -9), (2, -2), (3, -9))),
    ]

    def path(*ids: str) -> np.ndarray:
        done = simulate(
            hand_made.site([s for s in strips if s.id in ids]),
            now_utc=hand_made.NOW_UTC,
            weather=hand_made.weather(**(STILL | COLD | snow)),
            entries=[e for e in entries if e.strip_id in ids],
            settings=SETTINGS,
            rng=np.random.default_rng(1),
        )
        return done.moisture.w_pct

    together = path("N0", "N1", "N2", "N3")
    for k in range(4):
        assert together[:, k] == pytest.approx(path(f"N{k}")[:, 0], abs=1e-9)
    assert together[row(0), 0].mean() > together[row(0), 2].mean() > together[row(0), 1].mean()
