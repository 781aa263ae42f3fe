"""Published values of the sun, the air and reference evapotranspiration."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import printed
import pytest
from daily_et0 import daily_et0_mm

from gonogo.records.air import HourlyAir, Place
from gonogo.soil import reference_et, sun
from gonogo.units import wind_2m_m_s

KINDS: printed.Kinds = {}
# Grasses that sources print hours of and no verdict uses: FAO-56, eq. 53; alfalfa, ASCE-EWRI 2005, table 1.
FAO_SHORT = reference_et.Grass(cn_day=37.0, cn_night=37.0, cd_day=0.34, cd_night=0.34)
ASCE_TALL = reference_et.Grass(cn_day=66.0, cn_night=66.0, cd_day=0.25, cd_night=1.7, heat_day=0.04, heat_night=0.2)


def kind(function: Callable[..., dict[str, Any]]) -> Callable[..., dict[str, Any]]:
    """Make a function the one that computes the cases of its name."""
    KINDS[function.__name__] = function
    return function


def arrays(*lists: Any) -> list[np.ndarray]:
    return [np.asarray(x, dtype=np.float64) for x in lists]


@kind
def air(elevation_m):
    pressure = reference_et.pressure_kpa(elevation_m)
    return {"pressure_kpa": pressure, "gamma_kpa_degc": reference_et.psychrometric_kpa_degc(pressure)}


@kind
def saturation(temp_max_degc, temp_min_degc):
    high, low = (reference_et.saturation_vapour_kpa(t) for t in (temp_max_degc, temp_min_degc))
    of_mean = reference_et.saturation_vapour_kpa((temp_max_degc + temp_min_degc) / 2)
    mean = reference_et.mean_saturation_kpa(temp_max_degc, temp_min_degc)
    return {"e_max_kpa": high, "e_min_kpa": low, "es_kpa": mean, "e_of_mean_kpa": of_mean}


@kind
def humidity_range(temp_max_degc, temp_min_degc, rh_max_pct, rh_min_pct):
    found = saturation(temp_max_degc, temp_min_degc)
    vapour = reference_et.vapour_from_rh_range_kpa(temp_min_degc, temp_max_degc, rh_max_pct, rh_min_pct)
    return found | {"ea_kpa": vapour, "deficit_kpa": found["es_kpa"] - vapour}


@kind
def sun_of_day(latitude_deg, day_of_year):
    latitude, delta = np.radians(latitude_deg), sun.declination_rad(day_of_year)
    return {
        "dr": sun.inverse_relative_distance(day_of_year),
        "declination_rad": delta,
        "sunset_rad": sun.sunset_hour_angle_rad(latitude, delta),
        "ra_mj_m2_d": sun.extraterrestrial_mj_m2_d(latitude, day_of_year),
    }


@kind
def net_radiation(temp_max_degc, temp_min_degc, ea_kpa, rs_mj_m2_d, ra_mj_m2_d, elevation_m):
    clear = sun.clear_sky_share(elevation_m) * ra_mj_m2_d
    factor = reference_et.cloud_factor(rs_mj_m2_d / clear)
    lost = reference_et.net_longwave_mj_m2_d(temp_max_degc, temp_min_degc, ea_kpa, factor)
    gained = reference_et.net_shortwave_mj_m2(rs_mj_m2_d)
    return {
        "rso_mj_m2_d": clear,
        "clearness": rs_mj_m2_d / clear,
        "rnl_mj_m2_d": lost,
        "rns_mj_m2_d": gained,
        "rn_mj_m2_d": gained - lost,
    }


@kind
def wind(wind_m_s, height_m):
    return {"wind_2m_m_s": wind_2m_m_s(wind_m_s, height_m), "factor": wind_2m_m_s(1.0, height_m)}


@kind
def temperature_range(temp_max_degc, temp_min_degc, ea_kpa, ra_mj_m2_d, elevation_m, near_coast):
    shortwave = sun.shortwave_from_range_mj_m2_d(temp_max_degc, temp_min_degc, ra_mj_m2_d, near_coast=near_coast)
    terms = net_radiation(temp_max_degc, temp_min_degc, ea_kpa, shortwave, ra_mj_m2_d, elevation_m)
    return {"rs_mj_m2_d": shortwave, **terms}


@kind
def day(temp_max_degc, temp_min_degc, day_of_year, latitude_deg, elevation_m, soil_heat_mj_m2_d=0.0, **given):
    """Return every term of a day; what is not given is taken as the missing-data rules of FAO-56 say."""
    found = saturation(temp_max_degc, temp_min_degc) | air(elevation_m) | sun_of_day(latitude_deg, day_of_year)
    if "ea_kpa" in given:
        vapour = given["ea_kpa"]
    elif "rh_max_pct" in given:
        extremes = temp_min_degc, temp_max_degc, given["rh_max_pct"], given["rh_min_pct"]
        vapour = reference_et.vapour_from_rh_range_kpa(*extremes)
    else:
        vapour = reference_et.saturation_vapour_kpa(temp_min_degc)
    if "wind_m_s" in given:
        breeze = wind_2m_m_s(given["wind_m_s"], given["height_m"])
    else:
        breeze = given["wind_2m_m_s"]
    top = found["ra_mj_m2_d"]
    if "rs_mj_m2_d" in given:
        shortwave = given["rs_mj_m2_d"]
    else:
        shortwave = sun.shortwave_from_range_mj_m2_d(temp_max_degc, temp_min_degc, top)
    terms = net_radiation(temp_max_degc, temp_min_degc, vapour, shortwave, top, elevation_m)
    et0_mm = daily_et0_mm(
        temp_max_degc,
        temp_min_degc,
        vapour_kpa=vapour,
        wind_2m_m_s=breeze,
        shortwave_mj_m2_d=shortwave,
        day_of_year=day_of_year,
        latitude_deg=latitude_deg,
        elevation_m=elevation_m,
        soil_heat_mj_m2_d=soil_heat_mj_m2_d,
    )
    return found | terms | {
        "ea_kpa": vapour,
        "deficit_kpa": found["es_kpa"] - vapour,
        "slope_kpa_degc": reference_et.vapour_slope_kpa_degc((temp_max_degc + temp_min_degc) / 2),
        "wind_2m_m_s": breeze,
        "rs_mj_m2_d": shortwave,
        "et0_mm": et0_mm,
    }  # fmt: skip


@kind
def day_with_saturation_of_the_mean(**given):
    """Return the day's value as the wrong use of the mean temperature would give it."""
    right = day(**given)
    et0_mm = reference_et.penman_monteith_mm(
        available_mj_m2=right["rn_mj_m2_d"],
        temp_degc=(given["temp_max_degc"] + given["temp_min_degc"]) / 2,
        wind_2m_m_s=right["wind_2m_m_s"],
        deficit_kpa=right["e_of_mean_kpa"] - right["ea_kpa"],
        gamma_kpa_degc=right["gamma_kpa_degc"],
        cn=900.0,
        cd=0.34,
    )
    return {"et0_mm": et0_mm}


@kind
def hour(
    hour_utc, temp_degc, rh_pct, wind_2m_m_s, rs_mj_m2_h, latitude_deg, longitude_deg, elevation_m, clearness_before
):
    place = {"latitude_deg": latitude_deg, "longitude_deg": longitude_deg}
    at = np.array([hour_utc], dtype="datetime64[h]")
    stand = sun.sun_hours(at, **place)
    saturated, vapour = (
        reference_et.saturation_vapour_kpa(temp_degc),
        reference_et.vapour_from_rh_kpa(temp_degc, rh_pct),
    )
    temp, rh, breeze, shortwave = arrays([temp_degc], [rh_pct], [wind_2m_m_s], [rs_mj_m2_h / 0.0036])
    et0_mm = reference_et.hourly_et0_mm(
        HourlyAir(hour_utc=at, temp_degc=temp, rh_pct=rh, wind_2m_m_s=breeze, shortwave_w_m2=shortwave),
        Place(**place, elevation_m=elevation_m),
        grass=FAO_SHORT,
        clearness_before=clearness_before,
    )
    return {
        "angle_mid_rad": stand.angle_mid_rad[0],
        "ra_mj_m2_h": stand.extraterrestrial_mj_m2_h[0],
        "rso_mj_m2_h": sun.clear_sky_share(elevation_m) * stand.extraterrestrial_mj_m2_h[0],
        "slope_kpa_degc": reference_et.vapour_slope_kpa_degc(temp_degc),
        "e_kpa": saturated,
        "ea_kpa": vapour,
        "deficit_kpa": saturated - vapour,
        "cloud_factor": reference_et.cloud_factor(clearness_before),
        "et0_mm": et0_mm[0],
    }


@kind
def slope(temp_degc):
    return {"slope_kpa_degc": reference_et.vapour_slope_kpa_degc(np.array(temp_degc))}


@kind
def fallon_hours(
    utc_offset_h, wind_height_m, temp_degc, rs_w_m2, wind_m_s, dew_degc, latitude_deg, longitude_deg, elevation_m
):
    temp, shortwave, breeze, dew = arrays(temp_degc, rs_w_m2, wind_m_s, dew_degc)
    rh = 100 * reference_et.saturation_vapour_kpa(dew) / reference_et.saturation_vapour_kpa(temp)
    hours = np.datetime64("2015-07-01T00") + (np.arange(24) + utc_offset_h).astype("timedelta64[h]")
    result = {}
    for name, grass in (("et0_mm", reference_et.ASCE_SHORT), ("etr_mm", ASCE_TALL)):
        air = HourlyAir(
            hour_utc=hours,
            temp_degc=temp,
            rh_pct=rh,
            wind_2m_m_s=breeze * wind_2m_m_s(1.0, wind_height_m),
            shortwave_w_m2=shortwave,
        )
        place = Place(latitude_deg=latitude_deg, longitude_deg=longitude_deg, elevation_m=elevation_m)
        result[name] = reference_et.hourly_et0_mm(air, place, grass=grass)
    return result


@kind
def days(latitude_rad, elevation_m, first_day_of_year, temp_max_degc, temp_min_degc, wind_10m_m_s, **given):
    high, low, breeze = arrays(temp_max_degc, temp_min_degc, wind_10m_m_s)
    rh_max, rh_min, shortwave = arrays(given["rh_max_pct"], given["rh_min_pct"], given["rs_mj_m2_d"])
    dates = first_day_of_year + np.arange(high.size)
    et0_mm = daily_et0_mm(
        high,
        low,
        vapour_kpa=reference_et.vapour_from_rh_range_kpa(low, high, rh_max, rh_min),
        wind_2m_m_s=breeze * wind_2m_m_s(1.0, 10.0),
        shortwave_mj_m2_d=shortwave,
        day_of_year=dates,
        latitude_deg=np.degrees(latitude_rad),
        elevation_m=elevation_m,
    )
    return {"et0_mm": et0_mm}


@kind
def cloud_share(cloud_pct):
    noon = np.full(len(cloud_pct), np.datetime64("2026-06-21T12"))
    place = {"hour_utc": noon, "latitude_deg": 50.0, "longitude_deg": 0.0, "elevation_m": 0.0}
    under = sun.shortwave_from_cloud_w_m2(np.array(cloud_pct), **place)
    return {"share": under / sun.shortwave_from_cloud_w_m2(np.zeros(len(cloud_pct)), **place)}


def test_a_wrong_value_is_noticed() -> None:
    case = {"kind": "air", "inputs": {"elevation_m": 1800}, "expect": {"pressure_kpa": "81.9"}}
    (missed,) = printed.gaps(case, KINDS)
    assert missed.startswith("pressure_kpa[0] = 81.75")


@pytest.mark.parametrize("case", printed.cases("reference_et"))
def test_the_published_value_comes_out(case: dict[str, Any]) -> None:
    printed.require(case, KINDS)


def test_cases_are_complete_and_no_kind_stands_idle() -> None:
    printed.require_complete("reference_et", KINDS, n_least=26)
