"""The sun stands where the longitude says, whatever clock the site keeps; substitutes for missing radiation hold."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from daily_et0 import daily_et0_mm

from gonogo.errors import SoilError
from gonogo.records.air import HourlyAir, Place
from gonogo.soil import reference_et, sun

DAY = np.datetime64("2026-06-21T00") + np.arange(24).astype("timedelta64[h]")
WEEK = np.datetime64("2026-06-18T00") + np.arange(168).astype("timedelta64[h]")


def test_the_sun_is_highest_at_noon_of_its_own_meridian() -> None:
    for longitude, utc_hour in ((0.0, 11), (-90.0, 17), (120.0, 3)):
        week = sun.sun_hours(WEEK, latitude_deg=45.0, longitude_deg=longitude)
        brightest = np.argmax(week.extraterrestrial_mj_m2_h[48:72])
        assert abs(int(brightest) - utc_hour) <= 1


@pytest.mark.parametrize("latitude", [-65.0, -33.0, 0.0, 20.0, 51.0, 68.0])
def test_the_hours_of_a_solar_day_add_up_to_its_daily_total(latitude: float) -> None:
    week = sun.sun_hours(WEEK, latitude_deg=latitude, longitude_deg=0.0)
    whole = week.solar_day == week.solar_day[80]
    assert whole.sum() == 24
    daily = sun.extraterrestrial_mj_m2_d(np.radians(latitude), week.day_of_year[80])
    assert week.extraterrestrial_mj_m2_h[whole].sum() == pytest.approx(daily, rel=0.005, abs=1e-9)


def test_polar_night_is_dark_and_polar_day_never_is() -> None:
    december = DAY + np.timedelta64(183, "D")
    assert sun.sun_hours(december, latitude_deg=75.0, longitude_deg=20.0).extraterrestrial_mj_m2_h.max() == 0.0
    assert sun.sun_hours(DAY, latitude_deg=75.0, longitude_deg=20.0).extraterrestrial_mj_m2_h.min() > 0.0


def test_the_day_of_the_year_is_the_suns_own() -> None:
    new_year = np.array(["2026-01-01T02"], dtype="datetime64[h]")
    west = sun.sun_hours(new_year, latitude_deg=40.0, longitude_deg=-120.0)
    assert west.day_of_year[0] == 365.0


def test_more_cloud_never_means_more_sun() -> None:
    place = {"hour_utc": DAY, "latitude_deg": 40.0, "longitude_deg": 5.0, "elevation_m": 300.0}
    by_cloud = [sun.shortwave_from_cloud_w_m2(np.full(24, c), **place) for c in (0.0, 30.0, 70.0, 100.0)]
    for brighter, darker in pairwise(by_cloud):
        assert np.all(darker <= brighter)
        assert darker.max() < brighter.max()


def test_radiation_from_temperature_keeps_to_the_published_daily_total() -> None:
    temp = 20.0 + 8.0 * np.sin((np.arange(168) % 24 - 9.0) / 24.0 * 2.0 * np.pi)
    place = {"latitude_deg": 45.0, "longitude_deg": 0.0}
    hourly = sun.shortwave_from_temperature_w_m2(temp, hour_utc=WEEK, **place)
    week = sun.sun_hours(WEEK, **place)
    whole = week.solar_day == week.solar_day[80]
    top = week.extraterrestrial_mj_m2_h[whole].sum()
    expected = sun.shortwave_from_range_mj_m2_d(temp[whole].max(), temp[whole].min(), top)
    assert hourly[whole].sum() * 0.0036 == pytest.approx(expected, rel=1e-9)


def test_a_short_first_day_borrows_its_brightness_from_the_next() -> None:
    temp = 20.0 + 8.0 * np.sin((np.arange(168) % 24 - 9.0) / 24.0 * 2.0 * np.pi)
    place = {"latitude_deg": 45.0, "longitude_deg": 0.0}
    cut = sun.shortwave_from_temperature_w_m2(temp[10:], hour_utc=WEEK[10:], **place)
    full = sun.shortwave_from_temperature_w_m2(temp, hour_utc=WEEK, **place)
    assert cut == pytest.approx(full[10:], rel=1e-6)


def test_series_of_different_lengths_are_refused() -> None:
    values = np.full(24, 10.0)
    place = Place(latitude_deg=40.0, longitude_deg=5.0, elevation_m=300.0)
    air = HourlyAir(hour_utc=DAY, temp_degc=values, rh_pct=values, wind_2m_m_s=values, shortwave_w_m2=values)
    assert reference_et.hourly_et0_mm(air, place).shape == (24,)
    with pytest.raises(SoilError):
        reference_et.hourly_et0_mm(replace(air, wind_2m_m_s=values[:-1]), place)


def test_a_night_keeps_the_cloud_of_its_evening() -> None:
    clearness = np.array([0.5, 0.9, 0.4, 0.0, 0.0])
    factor = reference_et.carried_cloud_factor(clearness, np.array([False, True, True, False, False]), 1.0)
    assert factor == pytest.approx([1.0, 1.35 * 0.9 - 0.35, 1.35 * 0.4 - 0.35, 1.35 * 0.4 - 0.35, 1.35 * 0.4 - 0.35])


def test_hourly_values_of_a_summer_day_add_up_near_the_daily_equation() -> None:
    hours = np.arange(168)
    temp = 22.0 + 7.0 * np.sin((hours % 24 - 9.0) / 24.0 * 2.0 * np.pi)
    vapour = 1.5
    rh = 100.0 * vapour / reference_et.saturation_vapour_kpa(temp)
    shortwave = 0.7 * sun.sun_hours(WEEK, latitude_deg=45.0, longitude_deg=0.0).extraterrestrial_mj_m2_h / 0.0036
    breeze = np.full(168, 2.0)
    air = HourlyAir(hour_utc=WEEK, temp_degc=temp, rh_pct=rh, wind_2m_m_s=breeze, shortwave_w_m2=shortwave)
    hourly = reference_et.hourly_et0_mm(air, Place(latitude_deg=45.0, longitude_deg=0.0, elevation_m=100.0))
    daily = daily_et0_mm(
        29.0, 15.0, vapour_kpa=vapour, wind_2m_m_s=2.0, shortwave_mj_m2_d=shortwave[72:96].sum() * 0.0036,
        day_of_year=172, latitude_deg=45.0, elevation_m=100.0,
    )  # fmt: skip
    assert hourly[72:96].sum() == pytest.approx(daily, rel=0.08)
