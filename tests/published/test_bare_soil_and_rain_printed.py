"""Published values of bare-soil evaporation, runoff and infiltration."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import printed
import pytest

from gonogo.soil import bare_soil, rain
from gonogo.soil.classes import SOIL_CLASSES

KINDS: printed.Kinds = {}


def kind(function: Callable[..., dict[str, Any]]) -> Callable[..., dict[str, Any]]:
    """Make a function the one that computes the cases of its name."""
    KINDS[function.__name__] = function
    return function


def arrays(*lists: Any) -> list[np.ndarray]:
    return [np.asarray(x, dtype=np.float64) for x in lists]


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


@pytest.mark.parametrize("case", printed.cases("bare_soil_and_rain"))
def test_the_published_value_comes_out(case: dict[str, Any]) -> None:
    printed.require(case, KINDS)


def test_cases_are_complete_and_no_kind_stands_idle() -> None:
    printed.require_complete("bare_soil_and_rain", KINDS, n_least=41)
