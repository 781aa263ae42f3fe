"""Limits of bare-soil evaporation."""

from __future__ import annotations

import numpy as np
import pytest

from gonogo.errors import SoilError
from gonogo.soil import bare_soil


def test_stage_one_must_end_before_the_water_does() -> None:
    assert bare_soil.evaporation_reduction(9.5, 20.0, 9.0) < 1.0
    with pytest.raises(SoilError):
        bare_soil.evaporation_reduction(9.5, 20.0, 20.0)


def test_a_wetter_surface_never_gives_less() -> None:
    kr = bare_soil.evaporation_reduction(np.linspace(-5.0, 25.0, 61), 20.0, 9.0)
    assert np.all(np.diff(kr) <= 0.0)
    assert kr[0] == 1.0
    assert kr[-1] == 0.0


def test_the_hourly_limit_takes_wind_and_humidity_of_the_suns_day() -> None:
    hours = np.datetime64("2026-06-18T00") + np.arange(72).astype("timedelta64[h]")
    wind, rh = np.full(72, 2.0), np.full(72, 60.0)
    rh[40] = 10.0  # one dry hour of the second day
    limit = bare_soil.kc_max_by_hour(wind, rh, hour_utc=hours, longitude_deg=0.0)
    assert limit.shape == (72,)
    assert np.all(limit[24:48] == limit[24])
    assert limit[24] > limit[0]
    assert np.all((limit >= 1.05) & (limit <= 1.30))


def test_the_hourly_limit_follows_the_longitude() -> None:
    hours = np.datetime64("2026-06-18T00") + np.arange(72).astype("timedelta64[h]")
    rh = np.where(np.arange(72) < 24, 20.0, 80.0)
    west = bare_soil.kc_max_by_hour(np.full(72, 2.0), rh, hour_utc=hours, longitude_deg=-120.0)
    assert west[8] == west[31]
    assert west[31] > west[33]
