"""Published values of bare-soil evaporation, runoff and infiltration."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import printed
import pytest

from gonogo.soil import bare_soil, rain
from gonogo.soil.balance import simulate
from gonogo.soil.block import Step
from gonogo.soil.classes import SOIL_CLASSES
from gonogo.soil.layers import SoilParams, SoilState
from gonogo.soil.sky import Sky

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
    numbers = {name: getattr(row, name) for name in ("theta_fc", "theta_wp", "rew_mm")}
    layer_mm = bare_soil.SURFACE_LAYER_MM
    return numbers | {"tew_mm": bare_soil.total_evaporable_mm(row.theta_fc, row.theta_wp, layer_mm)}


@kind
def tew(theta_fc, theta_wp, layer_mm):
    return {"tew_mm": bare_soil.total_evaporable_mm(theta_fc, theta_wp, layer_mm)}


def dried(tew_mm, rew_mm, depleted_mm, et0_mm, kc_max, wetting_mm, step):
    """Return what the steps of a simulation evaporate, and De at their ends: one layer that drains at once."""
    numbers = {"theta_fc": 0.3, "theta_sat": 0.45, "tew_mm": tew_mm, "rew_mm": rew_mm, "top_thickness_mm": 400.0}
    free = {"base_thickness_mm": 0.0, "evaporation_factor": 1.0, "drainage_frac_h": 1.0, "intake_mm_h": np.inf}
    still = {"base_drainage_frac_h": 0.0, "resupply_frac_h": 0.0}
    soil = SoilParams(**{name: np.array(value, float) for name, value in (numbers | free | still).items()})
    full_mm, n_steps = 0.3 * 400.0, len(et0_mm)
    start = SoilState(top_mm=np.array([[full_mm - depleted_mm]]), base_mm=np.zeros((1, 1)))
    path = simulate(
        start,
        soil,
        Sky(
            et0_mm=np.asarray(et0_mm, float),
            kc_max=np.asarray(kc_max, float),
            rain_mm=np.asarray(wetting_mm, float)[:, None],
            watering_mm=np.zeros((n_steps, 1)),
            surface=np.zeros((n_steps, 1), dtype=np.int64),
            frozen=np.zeros(n_steps, dtype=np.bool_),
        ),
        step=step,
        keep_fluxes=True,
    )
    return path.evaporation_mm[:, 0, 0], full_mm - path.top_mm[1:, 0, 0]


@kind
def wetting_and_drying_days(tew_mm, rew_mm, kc_max, de_before_mm, wetting_mm, et0_mm, few, kcb):
    """Days of FAO-56, with Kr from the morning. Only `few` of the ground dries, under plants that leave it the rest."""
    open_ground = np.asarray(few)
    ask = (kc_max - np.asarray(kcb)) / open_ground
    daily = Step(length_h=24.0, kr_at=0.0)
    gone, de_end = dried(tew_mm, rew_mm, de_before_mm, et0_mm, ask, wetting_mm, daily)
    evaporation = gone * open_ground
    names = ("de_start_mm", "kr", "ke", "evaporation_mm", "de_end_mm")
    return dict(
        zip(names, (de_end - gone, gone / (ask * et0_mm), evaporation / et0_mm, evaporation, de_end), strict=True)
    )


@kind
def drying_days(n_days, et0_mm, kcb, **given):
    series = {"wetting_mm": [0.0] * n_days, "et0_mm": np.full(n_days, et0_mm), "few": [1.0] * n_days}
    return wetting_and_drying_days(de_before_mm=0.0, kcb=[kcb] * n_days, **series, **given)


@kind
def kc_max(wind_2m_m_s, rh_min_pct, height_m):
    return {"kc_max": bare_soil.kc_max(*arrays(wind_2m_m_s, rh_min_pct, height_m))}


@kind
def green_ampt(time_h, k_cm_h, suction_cm, deficit):
    soil = {"k_sat_mm_h": 10 * k_cm_h, "suction_mm": 10 * suction_cm, "deficit": deficit}
    return {"depth_cm": rain.green_ampt_depth_mm(time_h, **soil) / 10}


@kind
def class_infiltration(soil_class):
    row = SOIL_CLASSES[soil_class]
    return {"theta_e": row.theta_e, "suction_cm": row.suction_mm / 10, "k_cm_h": row.k_sat_mm_h / 10}


@pytest.mark.parametrize("case", printed.cases("bare_soil_and_rain"))
def test_the_published_value_comes_out(case: dict[str, Any]) -> None:
    printed.require(case, KINDS)


def test_cases_are_complete_and_no_kind_stands_idle() -> None:
    printed.require_complete("bare_soil_and_rain", KINDS, n_least=27)
