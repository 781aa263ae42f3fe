"""Limits of bare-soil evaporation."""

from __future__ import annotations

import numpy as np
import pytest

from gonogo.soil import bare_soil


def test_a_wetter_surface_never_gives_less() -> None:
    kr = bare_soil.evaporation_reduction(np.linspace(-5.0, 25.0, 61), 11.0)
    assert np.all(np.diff(kr) >= 0.0)
    assert kr[0] == 0.0
    assert kr[-1] == 1.0


@pytest.mark.parametrize("kr_at", [0.0, bare_soil.MID_STEP])
def test_evaporation_keeps_to_the_demand_and_to_what_is_left(kr_at: float) -> None:
    left, demand = np.meshgrid(np.linspace(-2.0, 20.0, 45), np.linspace(0.0, 60.0, 61))
    gone = bare_soil.evaporation_mm(left, bare_soil.reach_mm(11.0, demand, kr_at=kr_at), demand)
    assert np.all((gone >= 0.0) & (gone <= demand + 1e-12) & (gone <= np.maximum(left, 0.0) + 1e-12))
    is_stage_one = left >= np.maximum(11.0 + kr_at * demand, demand)
    assert np.all(gone[is_stage_one] == demand[is_stage_one])
    assert np.all(np.diff(gone, axis=1) >= 0.0)


def test_at_mid_step_the_length_of_the_step_hardly_counts() -> None:
    """Stage two is dE/dt = demand * left / range, whose solution is left * (1 - exp(-demand * t / range))."""

    def gone(demand: float, kr_at: float) -> object:
        return bare_soil.evaporation_mm(5.0, bare_soil.reach_mm(11.0, demand, kr_at=kr_at), demand)

    for demand in (0.1, 1.1, 2.2):
        exact = 5.0 * -np.expm1(-demand / 11.0)
        assert gone(demand, bare_soil.MID_STEP) == pytest.approx(exact, rel=0.004)
        assert gone(demand, 0.0) == pytest.approx(5.0 * demand / 11.0)
    assert gone(1.1, bare_soil.MID_STEP) == pytest.approx(5.0 * -np.expm1(-0.1), rel=0.001)


def test_what_is_written_into_an_array_is_what_is_returned_without_one() -> None:
    rng = np.random.default_rng(1)
    left, room, demand = rng.uniform(-1.0, 20.0, (3, 50)), rng.uniform(1.0, 12.0, (3, 50)), rng.uniform(0.0, 9.0, 50)
    out = np.empty((3, 50))
    assert bare_soil.evaporation_mm(left, room, demand, out=out) is out
    assert np.all(out == bare_soil.evaporation_mm(left, room, demand))


def test_the_hourly_limit_takes_wind_and_humidity_of_the_suns_day() -> None:
    hours = np.datetime64("2026-06-18T00") + np.arange(72).astype("timedelta64[h]")
    wind, rh = np.full(72, 2.0), np.full(72, 60.0)
    rh[40] = 10.0  # one dry hour of the second day
    limit = bare_soil.kc_max_by_hour(wind, rh, hour_utc=hours, longitude_deg=0.0)
    assert limit.shape == (72,)
    assert np.all(limit[24:48] == limit[24])
    assert limit[24] > limit[0]
    assert np.all((limit >= 1.05) & (limit <= 1.30))


@pytest.mark.parametrize(
    ("wind", "driest", "limit"),
    [
        (3.5, 30.0, 1.2 + (0.06 + 0.06) * (0.05 / 3.0) ** 0.3),
        (60.0, 30.0, 1.30),
        (0.0, 100.0, 1.2 - 0.3 * (0.05 / 3.0) ** 0.3),
    ],
)
def test_the_hourly_limit_is_that_of_mean_wind_and_driest_hour(wind: float, driest: float, limit: float) -> None:
    """FAO-56, eq. 72, over 50 mm of roughness: 1.2 + (0.04 (u - 2) - 0.004 (RH - 45)) (h / 3)^0.3."""
    hours = np.datetime64("2026-06-18T00") + np.arange(24).astype("timedelta64[h]")
    rh = np.where(np.arange(24) == 13, driest, 100.0)
    found = bare_soil.kc_max_by_hour(np.linspace(0.0, 2.0 * wind, 24), rh, hour_utc=hours, longitude_deg=0.0)
    assert found == pytest.approx(limit)


def test_the_hourly_limit_follows_the_longitude() -> None:
    hours = np.datetime64("2026-06-18T00") + np.arange(72).astype("timedelta64[h]")
    rh = np.where(np.arange(72) < 24, 20.0, 80.0)
    west = bare_soil.kc_max_by_hour(np.full(72, 2.0), rh, hour_utc=hours, longitude_deg=-120.0)
    assert west[8] == west[31]
    assert west[31] > west[33]
