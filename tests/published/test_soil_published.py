"""Published values of soil physics: one case of a TOML file is one test. Values are met to half of their last digit."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gonogo.errors import SoilError
from gonogo.soil import bare_soil, compaction, rain, reference_et, sun
from gonogo.soil.classes import SOIL_CLASSES
from gonogo.units import wind_2m_m_s

HERE = Path(__file__).parent
KINDS: dict[str, Callable[..., dict[str, Any]]] = {}


def kind(function: Callable[..., dict[str, Any]]) -> Callable[..., dict[str, Any]]:
    """Make a function the runner of the cases that bear its name."""
    KINDS[function.__name__] = function
    return function


def arrays(*lists: Any) -> list[np.ndarray]:
    return [np.asarray(x, dtype=np.float64) for x in lists]


# --- reference evapotranspiration ---


@kind
def air(elevation_m):
    pressure = reference_et.pressure_kpa(elevation_m)
    return {"pressure_kpa": pressure, "gamma_kpa_degc": reference_et.psychrometric_kpa_degc(pressure)}


@kind
def saturation(temp_max_degc, temp_min_degc):
    high, low = (reference_et.saturation_vapour_kpa(t) for t in (temp_max_degc, temp_min_degc))
    of_mean = reference_et.saturation_vapour_kpa((temp_max_degc + temp_min_degc) / 2)
    return {"e_max_kpa": high, "e_min_kpa": low, "es_kpa": (high + low) / 2, "e_of_mean_kpa": of_mean}


@kind
def psychrometer(elevation_m, temp_dry_degc, temp_wet_degc):
    pressure = reference_et.pressure_kpa(elevation_m)
    return {
        "pressure_kpa": pressure,
        "gamma_psy_kpa_degc": reference_et.PSYCHROMETER_ASPIRATED * pressure,
        "e_wet_kpa": reference_et.saturation_vapour_kpa(temp_wet_degc),
        "ea_kpa": reference_et.vapour_from_wet_bulb_kpa(temp_dry_degc, temp_wet_degc, pressure),
    }


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
        "daylight_h": sun.daylight_h(latitude, day_of_year),
    }


@kind
def sunshine(sunshine_h, daylight_h, ra_mj_m2_d):
    return {"rs_mj_m2_d": sun.shortwave_from_sunshine_mj_m2_d(sunshine_h, daylight_h, ra_mj_m2_d)}


@kind
def net_radiation(temp_max_degc, temp_min_degc, ea_kpa, rs_mj_m2_d, ra_mj_m2_d, elevation_m):
    clear = sun.clear_sky_share(elevation_m) * ra_mj_m2_d
    factor = reference_et.cloud_factor(rs_mj_m2_d / clear)
    lost = reference_et.net_longwave_mj_m2_d(temp_max_degc, temp_min_degc, ea_kpa, factor)
    gained = (1 - reference_et.ALBEDO_GRASS) * rs_mj_m2_d
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
    elif "sunshine_h" in given:
        shortwave = sun.shortwave_from_sunshine_mj_m2_d(given["sunshine_h"], found["daylight_h"], top)
    else:
        shortwave = sun.shortwave_from_range_mj_m2_d(temp_max_degc, temp_min_degc, top)
    terms = net_radiation(temp_max_degc, temp_min_degc, vapour, shortwave, top, elevation_m)
    et0_mm = reference_et.daily_et0_mm(
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
        "hargreaves_mm": reference_et.hargreaves_et0_mm(temp_max_degc, temp_min_degc, top),
    }  # fmt: skip


@kind
def day_with_saturation_of_the_mean(**given):
    """Return the day's value as the wrong use of the mean temperature would give it."""
    right = day(**given)
    et0_mm = reference_et.penman_monteith_mm(
        net_radiation_mj_m2=right["rn_mj_m2_d"],
        soil_heat_mj_m2=0.0,
        temp_degc=(given["temp_max_degc"] + given["temp_min_degc"]) / 2,
        wind_2m_m_s=right["wind_2m_m_s"],
        deficit_kpa=right["e_of_mean_kpa"] - right["ea_kpa"],
        slope_kpa_degc=right["slope_kpa_degc"],
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
    saturated = reference_et.saturation_vapour_kpa(temp_degc)
    et0_mm = reference_et.hourly_et0_mm(
        *arrays([temp_degc], [rh_pct], [wind_2m_m_s], [rs_mj_m2_h / 0.0036]),
        hour_utc=at,
        **place,
        elevation_m=elevation_m,
        grass=reference_et.FAO_SHORT,
        clearness_before=clearness_before,
    )
    return {
        "angle_mid_rad": stand.angle_mid_rad[0],
        "ra_mj_m2_h": stand.extraterrestrial_mj_m2_h[0],
        "rso_mj_m2_h": sun.clear_sky_share(elevation_m) * stand.extraterrestrial_mj_m2_h[0],
        "slope_kpa_degc": reference_et.vapour_slope_kpa_degc(temp_degc),
        "e_kpa": saturated,
        "ea_kpa": saturated * rh_pct / 100,
        "deficit_kpa": saturated * (1 - rh_pct / 100),
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
    for name, grass in (("et0_mm", reference_et.ASCE_SHORT), ("etr_mm", reference_et.ASCE_TALL)):
        result[name] = reference_et.hourly_et0_mm(
            temp,
            rh,
            breeze * wind_2m_m_s(1.0, wind_height_m),
            shortwave,
            hour_utc=hours,
            latitude_deg=latitude_deg,
            longitude_deg=longitude_deg,
            elevation_m=elevation_m,
            grass=grass,
        )
    return result


@kind
def days(latitude_rad, elevation_m, first_day_of_year, temp_max_degc, temp_min_degc, wind_10m_m_s, **given):
    high, low, breeze = arrays(temp_max_degc, temp_min_degc, wind_10m_m_s)
    rh_max, rh_min, shortwave = arrays(given["rh_max_pct"], given["rh_min_pct"], given["rs_mj_m2_d"])
    dates = first_day_of_year + np.arange(high.size)
    et0_mm = reference_et.daily_et0_mm(
        high,
        low,
        vapour_kpa=reference_et.vapour_from_rh_range_kpa(low, high, rh_max, rh_min),
        wind_2m_m_s=breeze * wind_2m_m_s(1.0, 10.0),
        shortwave_mj_m2_d=shortwave,
        day_of_year=dates,
        latitude_deg=np.degrees(latitude_rad),
        elevation_m=elevation_m,
    )
    top = sun.extraterrestrial_mj_m2_d(latitude_rad, dates)
    return {"et0_mm": et0_mm, "hargreaves_mm": reference_et.hargreaves_et0_mm(high, low, top)}


@kind
def cloud_share(cloud_pct):
    noon = np.full(len(cloud_pct), np.datetime64("2026-06-21T12"))
    place = {"hour_utc": noon, "latitude_deg": 50.0, "longitude_deg": 0.0, "elevation_m": 0.0}
    under = sun.shortwave_from_cloud_w_m2(np.array(cloud_pct), **place)
    return {"share": under / sun.shortwave_from_cloud_w_m2(np.zeros(len(cloud_pct)), **place)}


# --- bare soil ---


@kind
def class_middle(soil_class):
    row = SOIL_CLASSES[soil_class]
    return {name: getattr(row, name) for name in ("theta_fc", "theta_wp", "rew_mm", "tew_mm")}


@kind
def tew(theta_fc, theta_wp, layer_mm):
    return {"tew_mm": bare_soil.total_evaporable_mm(theta_fc, theta_wp, layer_mm)}


@kind
def drying_days(n_days, **given):
    zero = [0.0] * n_days
    lists = {"wetting_mm": zero, "et0_mm": [given.pop("et0_mm")] * n_days, "few": [1.0] * n_days}
    return wetting_and_drying_days(de_before_mm=0.0, **lists, **{**given, "kcb": [given["kcb"]] * n_days})


@kind
def wetting_and_drying_days(tew_mm, rew_mm, kc_max, de_before_mm, wetting_mm, et0_mm, few, kcb):
    rows = []
    de = de_before_mm
    for wetting, et0, open_share, basal in zip(wetting_mm, et0_mm, few, kcb, strict=True):
        start = max(de - wetting, 0.0)
        kr = bare_soil.evaporation_reduction(start, tew_mm, rew_mm)
        ke = bare_soil.evaporation_coefficient(kr, kc_max, basal, open_share)
        evaporation = ke * et0
        de = bare_soil.depletion_after_mm(
            de, wetting_mm=wetting, evaporation_mm=evaporation, few=open_share, tew_mm=tew_mm
        )
        rows.append((start, kr, ke, evaporation, de, (ke + basal) * et0))
    names = ("de_start_mm", "kr", "ke", "evaporation_mm", "de_end_mm", "etc_mm")
    return dict(zip(names, np.array(rows).T, strict=True))


@kind
def wet_surface(kcb, wind_2m_m_s, rh_min_pct, height_m, few):
    limit = bare_soil.kc_max(wind_2m_m_s, rh_min_pct, height_m, kcb=kcb)
    ke = bare_soil.evaporation_coefficient(1.0, limit, kcb, few)
    return {"kc_max": limit, "few_kc_max": few * limit, "ke": ke, "kc": ke + kcb}


@kind
def kc_max(wind_2m_m_s, rh_min_pct, height_m):
    return {"kc_max": bare_soil.kc_max(*arrays(wind_2m_m_s, rh_min_pct, height_m))}


# --- rain ---


@kind
def curve_numbers():
    return {name.replace(" ", "_"): np.array(row, float) for name, row in rain.CURVE_NUMBERS.items()}


@kind
def runoff_mm(rain_mm, curve_number):
    return {"runoff_mm": rain.curve_number_runoff_mm(rain_mm, np.array(curve_number, float))}


@kind
def runoff_inches(rain_in, curve_number):
    return {"runoff_in": runoff_mm(rain_in * 25.4, curve_number)["runoff_mm"] / 25.4}


@kind
def retention(curve_number):
    kept = rain.curve_number_retention_mm(np.array(curve_number, float))
    return {"retention_mm": kept, "abstraction_mm": 0.2 * kept}


@kind
def green_ampt(time_h, k_cm_h, suction_cm, deficit):
    soil = {"k_sat_mm_h": 10 * k_cm_h, "suction_mm": 10 * suction_cm, "deficit": deficit}
    depth_mm = rain.green_ampt_depth_mm(time_h, **soil)
    return {"depth_cm": depth_mm / 10, "rate_cm_h": rain.green_ampt_rate_mm_h(depth_mm, **soil) / 10}


@kind
def class_infiltration(soil_class):
    row = SOIL_CLASSES[soil_class]
    found = {"porosity": row.porosity, "theta_e": row.theta_e}
    return found | {"suction_cm": row.suction_mm / 10, "k_cm_h": row.k_sat_mm_h / 10}


# --- phases and compaction ---


@kind
def phase(wet, w_pct, specific_gravity, unit_kg_m3):
    dry = compaction.dry_density_kg_m3(wet * unit_kg_m3, w_pct)
    return {
        "dry": dry / unit_kg_m3,
        "e": compaction.void_ratio(dry, specific_gravity),
        "s_pct": compaction.saturation_pct(w_pct, dry, specific_gravity),
        "a_pct": compaction.air_voids_pct(w_pct, dry, specific_gravity),
    }


@kind
def phase_from_masses(volume_cm3, wet_g, dry_g, specific_gravity):
    w_pct = compaction.w_pct_from_masses(wet_g, dry_g)
    wet = 1000 * wet_g / volume_cm3
    found = phase(wet, w_pct, specific_gravity, 1.0)
    return found | {"wet_kg_m3": wet, "dry_kg_m3": found["dry"], "w_pct": w_pct}


@kind
def zav(w_pct, specific_gravity, unit_kg_m3):
    return {"zav": compaction.zav_dry_density_kg_m3(np.array(w_pct, float), specific_gravity) / unit_kg_m3}


@kind
def impossible(dry, w_pct, specific_gravity, unit_kg_m3):
    limit = compaction.zav_dry_density_kg_m3(w_pct, specific_gravity) / unit_kg_m3
    try:
        compaction.require_below_zav(w_pct, dry * unit_kg_m3, specific_gravity)
    except SoilError:
        return {"zav": limit, "is_refused": 1}
    return {"zav": limit, "is_refused": 0}


@kind
def tin(tin_g, wet_g, dry_g):
    return {"w_pct": compaction.w_pct_from_masses(wet_g - tin_g, dry_g - tin_g)}


@kind
def field(wet, w_pct, maximum):
    dry = compaction.dry_density_kg_m3(wet, w_pct)
    return {"dry": dry, "relative_pct": compaction.relative_compaction_pct(dry, maximum)}


@kind
def compaction_of(dry, maximum):
    return {"relative_pct": compaction.relative_compaction_pct(dry, maximum)}


KINDS["compaction"] = KINDS.pop("compaction_of")  # the module has the name


@kind
def wet_basis(wet_basis_pct):
    return {"w_pct": compaction.wet_to_dry_basis_pct(np.array(wet_basis_pct, float))}


@kind
def wet(volume, mould, mass):
    return {"wet": (np.array(mass) - mould) / volume}


@kind
def curve(w_pct, wet, specific_gravity, unit_kg_m3):
    w, density = arrays(w_pct, wet)
    dry = compaction.dry_density_kg_m3(density, w)
    top = int(np.argmax(dry))
    return dry_curve(w, dry, specific_gravity, unit_kg_m3) | {
        "dry": dry,
        "s_highest_pct": compaction.saturation_pct(w[top], dry[top] * unit_kg_m3, specific_gravity),
        "water_litres_m3": w[top] / 100 * dry[top] * unit_kg_m3,
    }


@kind
def dry_curve(w_pct, dry, specific_gravity, unit_kg_m3):
    w, density = arrays(w_pct, dry)
    fit = compaction.fit_curve(w, density * unit_kg_m3, specific_gravity=specific_gravity)
    top = int(np.argmax(density))
    assert fit.highest_point == top
    assert fit.mdd_kg_m3 >= density[top] * unit_kg_m3 - 1e-9
    assert w[top - 1] < fit.omc_pct < w[top + 1]
    assert fit.saturation_at_peak_pct <= 100.1
    return {"mdd": fit.mdd_kg_m3 / unit_kg_m3, "omc_pct": fit.omc_pct}


@kind
def oversize_w(fines_w_pct, oversize_frac, coarse_w_pct):
    return {"w_pct": compaction.oversize_w_pct(fines_w_pct, oversize_frac, coarse_w_pct=coarse_w_pct)}


@kind
def oversize_density(fines, oversize_frac, bulk_specific_gravity, unit_kg_m3):
    whole = compaction.oversize_dry_density_kg_m3(
        fines * unit_kg_m3, oversize_frac, bulk_specific_gravity=bulk_specific_gravity
    )
    return {"dry": whole / unit_kg_m3}


@kind
def oversize_limits():
    most = compaction.OVERSIZE_MAX_FRAC
    ignored = compaction.OVERSIZE_IGNORED_BELOW_FRAC
    return {"most_4_75_mm": most["4.75 mm"], "most_19_mm": most["19 mm"], "ignored_up_to": ignored}


# --- the runner ---


def half_last_digit(printed: str) -> float:
    """Return half a unit of the last digit of a number as printed."""
    decimals = len(printed.partition(".")[2])
    return 0.5 * 10.0**-decimals


def soil_cases() -> list[Any]:
    found = []
    for path in sorted(HERE.glob("*.toml")):
        sheet = tomllib.loads(path.read_text(encoding="utf-8"))
        if sheet.get("area") == "soil":
            found += [pytest.param(case, id=f"{path.stem}: {case['id']}") for case in sheet["case"]]
    return found


def gaps(case: dict[str, Any]) -> list[str]:
    """Return a sentence for each published value that did not come out."""
    found = KINDS[case["kind"]](**case["inputs"])
    missed = []
    for name, (low, high) in case.get("range", {}).items():
        if not low <= found[name] <= high:
            missed.append(f"{name} = {found[name]} outside {low} to {high}")
    for name, printed in case.get("expect", {}).items():
        texts = printed if isinstance(printed, list) else [printed]
        values = np.atleast_1d(np.asarray(found[name], dtype=np.float64))
        assert len(texts) == values.size, f"{name}: {len(texts)} printed, {values.size} computed"
        for i, (text, value) in enumerate(zip(texts, values, strict=True)):
            allowed = case.get("tol", {}).get(name, half_last_digit(text))
            if not abs(value - float(text)) <= allowed + 1e-9:
                missed.append(f"{name}[{i}] = {value:.6g}, printed {text}, allowed {allowed:g}")
    return missed


@pytest.mark.parametrize("case", soil_cases())
def test_the_published_value_comes_out(case: dict[str, Any]) -> None:
    missed = gaps(case)
    if case.get("must_differ"):
        assert missed, "a value that must not come out came out"
    else:
        assert not missed, "\n".join(missed)


def test_every_case_has_a_mark_and_every_wide_tolerance_a_reason() -> None:
    cases = [p.values[0] for p in soil_cases()]
    assert len(cases) >= 80
    for case in cases:
        assert case["mark"] in {"R", "R+c", "M", "X"}, case["id"]
        assert case.get("reason") or "tol" not in case, case["id"]
        assert case.get("expect") or case.get("range"), case["id"]


def test_no_kind_of_check_stands_idle() -> None:
    used = {p.values[0]["kind"] for p in soil_cases()}
    assert used == set(KINDS)


def test_a_wrong_value_is_noticed() -> None:
    case = {"kind": "air", "inputs": {"elevation_m": 1800}, "expect": {"pressure_kpa": "81.9"}}
    (missed,) = gaps(case)
    assert missed.startswith("pressure_kpa[0] = 81.75")
