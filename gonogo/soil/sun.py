"""Where the sun stands and what it gives: extraterrestrial and clear-sky radiation by the day and by the hour.

Time is true UTC; the sun's own time follows from the longitude (east positive), so no time zone enters anywhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gonogo.units import MJ_M2_H_PER_W_M2

Floats = npt.NDArray[np.float64]
Number = float | Floats
Hours = npt.NDArray[np.datetime64]

SOLAR_CONSTANT_MJ_M2_MIN = 0.0820  # FAO-56, eq. 21
W_M2_PER_MJ_M2_H = 1.0 / MJ_M2_H_PER_W_M2


def inverse_relative_distance(day_of_year: Number) -> Number:
    """Return dr, the inverse relative distance from earth to sun [-], for a day of the year 1 to 366.

    Source: FAO-56, eq. 23. Checked in tests/published/fao56_building_blocks.toml.
    """
    distance: Number = 1.0 + 0.033 * np.cos(2.0 * np.pi / 365.0 * day_of_year)
    return distance


def declination_rad(day_of_year: Number) -> Number:
    """Return the solar declination [rad] for a day of the year 1 to 366.

    Source: FAO-56, eq. 24. Checked in tests/published/fao56_building_blocks.toml.
    """
    return 0.409 * np.sin(2.0 * np.pi / 365.0 * day_of_year - 1.39)


def sunset_hour_angle_rad(latitude_rad: Number, declination_rad: Number) -> Number:
    """Return the sunset hour angle [rad], 0 in polar night, pi in polar day.

    Source: FAO-56, eq. 25. Checked in tests/published/fao56_building_blocks.toml.
    """
    angle: Number = np.arccos(np.clip(-np.tan(latitude_rad) * np.tan(declination_rad), -1.0, 1.0))
    return angle


def extraterrestrial_mj_m2_d(latitude_rad: Number, day_of_year: Number) -> Number:
    """Return radiation above the atmosphere on a horizontal square metre [MJ/m2/d].

    Source: FAO-56, eq. 21. Checked in tests/published/fao56_building_blocks.toml.
    """
    delta = declination_rad(day_of_year)
    sunset = sunset_hour_angle_rad(latitude_rad, delta)
    height = sunset * np.sin(latitude_rad) * np.sin(delta) + np.cos(latitude_rad) * np.cos(delta) * np.sin(sunset)
    per_day = 24.0 * 60.0 / np.pi * SOLAR_CONSTANT_MJ_M2_MIN
    received: Number = per_day * inverse_relative_distance(day_of_year) * height
    return received


def clear_sky_share(elevation_m: Number) -> Number:
    """Return the share of extraterrestrial radiation that reaches the ground under a clear sky [-].

    Source: FAO-56, eq. 37. Checked in tests/published/fao56_building_blocks.toml.
    """
    return 0.75 + 2e-5 * elevation_m


def shortwave_from_range_mj_m2_d(
    temp_max_degc: Number, temp_min_degc: Number, extraterrestrial_mj_m2_d: Number, *, near_coast: bool = False
) -> Number:
    """Return shortwave radiation [MJ/m2/d] from the day's range of temperature, at most that of a clear sky.

    near_coast  an adjacent large water mass drives the weather: coefficient 0.19 instead of 0.16

    Source: FAO-56, eq. 50. Checked in tests/published/fao56_building_blocks.toml.
    """
    k_rs = 0.19 if near_coast else 0.16
    span = np.maximum(temp_max_degc - temp_min_degc, 0.0)
    return np.minimum(k_rs * np.sqrt(span), 0.75) * extraterrestrial_mj_m2_d


@dataclass(frozen=True, slots=True, kw_only=True)
class SunHours:
    """Sun of a run of hours, each array (H,).

    day_of_year               of the sun's own date
    solar_day                 running number of the sun's own date, for daily sums and extremes
    angle_mid_rad             hour angle at the middle of the hour
    sin_elevation             sine of the sun's height at the lower of the hour's two ends, negative at night
    extraterrestrial_mj_m2_h  radiation above the atmosphere
    """

    day_of_year: Floats
    solar_day: npt.NDArray[np.int64]
    angle_mid_rad: Floats
    sin_elevation: Floats
    extraterrestrial_mj_m2_h: Floats


def sun_hours(hour_utc: Hours, *, latitude_deg: float, longitude_deg: float) -> SunHours:
    """Return the sun of the hours [hour_utc, hour_utc + 1 h), (H,).

    hour_utc       datetime64, true UTC
    longitude_deg  east positive

    Source: FAO-56, eq. 28 to 33, with hour angles cut at sunrise and sunset as ASCE-EWRI 2005 has it.
    Checked in tests/published/fao56_ex19_hourly.toml and asce_fallon_hourly.toml.
    """
    seconds = hour_utc.astype("datetime64[s]").astype(np.int64)
    local_h = seconds / 3600.0 + longitude_deg / 15.0  # mean solar hours since 1970 at this meridian
    solar_day = np.floor((local_h + 0.5) / 24.0).astype(np.int64)
    dates = solar_day.astype("datetime64[D]")
    day_of_year = (dates - dates.astype("datetime64[Y]").astype("datetime64[D]")).astype(np.float64) + 1.0
    b = 2.0 * np.pi * (day_of_year - 81.0) / 364.0
    seasonal_h = 0.1645 * np.sin(2.0 * b) - 0.1255 * np.cos(b) - 0.025 * np.sin(b)
    clock_h = local_h - 24.0 * solar_day + 0.5 + seasonal_h
    angle_mid = np.pi / 12.0 * (clock_h - 12.0)
    latitude = np.radians(latitude_deg)
    delta = declination_rad(day_of_year)
    sunset = sunset_hour_angle_rad(latitude, delta)
    rise = np.clip(angle_mid - np.pi / 24.0, -sunset, sunset)
    fall = np.clip(angle_mid + np.pi / 24.0, -sunset, sunset)
    sines = np.sin(latitude) * np.sin(delta)
    cosines = np.cos(latitude) * np.cos(delta)
    height = (fall - rise) * sines + cosines * (np.sin(fall) - np.sin(rise))
    per_hour = 12.0 * 60.0 / np.pi * SOLAR_CONSTANT_MJ_M2_MIN * inverse_relative_distance(day_of_year)
    return SunHours(
        day_of_year=day_of_year,
        solar_day=solar_day,
        angle_mid_rad=angle_mid,
        sin_elevation=sines + cosines * np.cos(np.abs(angle_mid) + np.pi / 24.0),
        extraterrestrial_mj_m2_h=np.maximum(per_hour * height, 0.0),
    )


def shortwave_from_cloud_w_m2(
    cloud_pct: Floats, *, hour_utc: Hours, latitude_deg: float, longitude_deg: float, elevation_m: float
) -> Floats:
    """Return hourly shortwave radiation [W/m2] (H,) for a service that gives cloud cover and no radiation.

    cloud_pct  share of the sky under cloud [%], 0 to 100

    Clear sky after FAO-56, eq. 37, times 1 - 0.75 N^3.4.
    Source: Kasten and Czeplak 1980, Solar Energy 24(2), 177-189, read in later works that restate the formula.
    Checked in tests/published/shortwave_estimates.toml.
    """
    sun = sun_hours(hour_utc, latitude_deg=latitude_deg, longitude_deg=longitude_deg)
    clear_w_m2 = clear_sky_share(elevation_m) * sun.extraterrestrial_mj_m2_h * W_M2_PER_MJ_M2_H
    cloud_frac = np.clip(cloud_pct / 100.0, 0.0, 1.0)
    return np.asarray(clear_w_m2 * (1.0 - 0.75 * cloud_frac**3.4))


def shortwave_from_temperature_w_m2(
    temp_degc: Floats, *, hour_utc: Hours, latitude_deg: float, longitude_deg: float, near_coast: bool = False
) -> Floats:
    """Return hourly shortwave radiation [W/m2] (H,) from nothing but temperature.

    The day's total follows from the range of temperature within the sun's own day and is spread over the hours as
    extraterrestrial radiation is. Days of which the series holds under 20 hours borrow the nearest full day's share.
    Source: FAO-56, eq. 50, spread over the hours by us. Checked in tests/soil/test_sun.py.
    """
    sun = sun_hours(hour_utc, latitude_deg=latitude_deg, longitude_deg=longitude_deg)
    days, first, of_day = np.unique(sun.solar_day, return_index=True, return_inverse=True)
    hottest = np.maximum.reduceat(temp_degc, first)
    coldest = np.minimum.reduceat(temp_degc, first)
    share = np.asarray(shortwave_from_range_mj_m2_d(hottest, coldest, np.ones(days.size), near_coast=near_coast))
    full = np.flatnonzero(np.bincount(of_day) >= 20)
    if full.size:
        nearest = full[np.argmin(np.abs(np.arange(days.size)[:, None] - full), axis=1)]
        share = share[nearest]
    return np.asarray(share[of_day] * sun.extraterrestrial_mj_m2_h * W_M2_PER_MJ_M2_H)
