"""How much water a strip needs.

Water is water and mix: a lift thicker than the mixer reaches gets none. Dry mass under a square metre does not change
when the lift is rolled, so loose thickness goes with loose density throughout.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from gonogo import units
from gonogo.decide.inputs import Floats
from gonogo.decide.today import Prepared
from gonogo.decide.windows import amount_between
from gonogo.records.site import Material
from gonogo.soil.bare_soil import SURFACE_LAYER_MM

# Rain that a mail prints; less is taken off the dose without a word ("less, because 0.0 mm is expected").
PRINTED_RAIN_MM = units.QUANTITIES["rain_mm"][0].fine_step / 2.0

_Numbers = TypeVar("_Numbers", float, Floats)


def water_litres(dry_mass_kg: float, w_now_pct: _Numbers, w_target_pct: float) -> _Numbers:
    """Return the water that brings soil from one water content to another [L]; negative: that much has to dry off.

    dry_mass_kg              DRY mass of the soil [kg] (under one square metre: then the result is L/m2, which is mm)
    w_now_pct, w_target_pct  [% of dry mass]

    Source: definition of water content, 1 kg of water = 1 L. Checked in tests/published/water_to_add.toml.
    """
    return (w_target_pct - w_now_pct) / 100.0 * dry_mass_kg


def target_w_pct(material: Material) -> float:
    """Return the water content to aim for [%]: optimum, or the middle of a window that leaves optimum out.

    Clean granular soil: halfway to the wet edge at least, as wet as practical (TM 5-818-1).
    """
    low, high = material.window_low_pct, material.window_high_pct
    deviation = 0.0 if low <= 0.0 <= high else (low + high) / 2.0
    if material.is_granular:
        deviation = max(deviation, (high if material.aim_high_pct is None else material.aim_high_pct) / 2.0)
    return material.omc_pct + deviation


def dose_litres_m2(missing_litres_m2: float, evaporation_mm: float, rain_first_mm: float) -> float:
    """Return the dose [L/m2]: what is missing + what will evaporate before rolling - rain that will fall first."""
    return missing_litres_m2 + evaporation_mm - rain_first_mm


def greatest_dose_litres_m2(headroom_litres_m2: Floats, overshoot_chance_max: float) -> float:
    """Return the greatest dose that keeps the chance of passing the wet edge within a limit [L/m2].

    headroom_litres_m2   (M,) what each member can take up to the wet edge
    overshoot_chance_max [-], 0 to 1; NaN in either gives NaN
    """
    if math.isnan(overshoot_chance_max) or bool(np.any(np.isnan(headroom_litres_m2))):
        return math.nan
    n_over = min(math.floor(overshoot_chance_max * len(headroom_litres_m2) + 1e-9), len(headroom_litres_m2) - 1)
    return float(np.sort(headroom_litres_m2)[n_over])


@dataclass(frozen=True, slots=True, kw_only=True)
class Dose:
    """One dose with what it was made of, SI, L/m2 = mm. greatest_litres_m2: what the wet edge allows."""

    litres_m2: float
    greatest_litres_m2: float
    w_now_pct: float
    evaporation_mm: float
    rain_mm: float
    limited_by: str


def crust_litres_m2(prepared: Prepared, s: int, row: int, target_pct: float) -> float:
    """Return what the top lacks where it alone is too dry [L/m2]; the water stays in it."""
    inputs = prepared.inputs
    strip = inputs.strips[s]
    top_m = min(SURFACE_LAYER_MM / 1000.0, strip.lift_thickness_m)
    return float(np.mean(water_litres(top_m * strip.dry_density_kg_m3, inputs.w_top_pct[row, s], target_pct)))


def is_only_crust(prepared: Prepared, s: int) -> bool:
    """Return whether a strip that wants water is right in the mean, so that its top alone is watered."""
    chosen = prepared.best[s]
    return chosen is not None and chosen.chance_too_dry <= prepared.inputs.setting("too_dry_chance_max")


def dose(prepared: Prepared, s: int, at_h: float, roll_h: float, *, target_pct: float, is_crust: bool = False) -> Dose:
    """Return the dose of strip s if the first drop falls at at_h and rolling begins at roll_h [epoch h].

    is_crust   of its dry top alone
    """
    inputs, cond = prepared.inputs, prepared.cond
    strip, material = inputs.strips[s], inputs.material(inputs.strips[s])
    mass = strip.dry_mass_kg_m2
    row = prepared.row_at(at_h)
    w = np.full(inputs.n_members(s), np.nan) if row is None else inputs.w_pct[row, s]
    evaporation = inputs.setting("watered_surface_kc") * float(amount_between(cond, inputs.et0_mm, at_h, roll_h))
    rain = amount_between(cond, cond.rain_mm.strips[s], at_h, roll_h)
    missing = float(np.mean(water_litres(mass, w, target_pct)))
    if is_crust and row is not None:
        missing = crust_litres_m2(prepared, s, row, target_pct)
    wanted = dose_litres_m2(missing, evaporation, float(np.mean(rain)))
    headroom = water_litres(mass, w, material.omc_pct + material.window_high_pct) + evaporation - rain
    cap = greatest_dose_litres_m2(headroom, inputs.setting("overshoot_chance_max"))
    is_rain_told = float(np.mean(rain)) > PRINTED_RAIN_MM
    limited_by = "wet_edge" if cap < wanted else "rain" if is_rain_told else "crust" if is_crust else ""
    return Dose(
        litres_m2=math.nan if math.isnan(wanted + cap) else max(min(wanted, cap), 0.0),
        greatest_litres_m2=cap,
        w_now_pct=float(np.mean(w)),
        evaporation_mm=evaporation,
        rain_mm=float(np.mean(rain)),
        limited_by=limited_by,
    )
