"""How much water a strip needs, and whether the truck can put it on in time.

Water is water and mix: a lift thicker than the mixer reaches gets none. Dry mass under a square metre does not change
when the lift is rolled, so loose thickness goes with loose density throughout.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from gonogo.decide.inputs import Floats
from gonogo.decide.today import Prepared
from gonogo.decide.water.spraying import (
    Spray,
    Trips,
    first_drop_h,
    pace,
    pass_limit_litres_m2,
    spray,
    spray_rate_litres_m2,
    trips,
    whole_loads_litres,
)
from gonogo.decide.windows import Stretch, amount_between, moment, rows
from gonogo.records.site import Material, Strip, Truck
from gonogo.records.verdict import DriverCheck, WaterPlan

_Numbers = TypeVar("_Numbers", float, Floats)
_ROUNDS = 6  # dose and time depend on each other; each round closes the gap by far more than a factor of ten


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
        deviation = max(deviation, high / 2.0)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What the water truck could do for one strip.

    is_in_time       1, 0, or NaN where a number that it depends on is unknown
    is_taken         1 where the truck could do it in time, had it no other strips to water; else 0
    plan             None unless it is in time
    from_h, until_h  rolling window after watering [epoch h], NaN where there is none
    """

    dose_litres_m2: float
    is_in_time: float
    is_taken: float = 0.0
    plan: WaterPlan | None = None
    from_h: float = math.nan
    until_h: float = math.nan


def dose(prepared: Prepared, s: int, at_h: float, roll_h: float, *, target_pct: float) -> Dose:
    """Return the dose of strip s if the first drop falls at at_h and rolling begins at roll_h [epoch h]."""
    inputs, cond = prepared.inputs, prepared.cond
    strip, material = inputs.strips[s], inputs.material(inputs.strips[s])
    mass = strip.dry_mass_kg_m2
    row = prepared.row_at(at_h)
    w = np.full(inputs.w_pct.shape[2], np.nan) if row is None else inputs.w_pct[row, s]
    evaporation = inputs.setting("watered_surface_kc") * float(amount_between(cond, inputs.et0_mm, at_h, roll_h))
    rain = amount_between(cond, cond.rain_mm, at_h, roll_h)
    wanted = dose_litres_m2(float(np.mean(water_litres(mass, w, target_pct))), evaporation, float(np.mean(rain)))
    headroom = water_litres(mass, w, material.omc_pct + material.window_high_pct) + evaporation - rain
    cap = greatest_dose_litres_m2(headroom, inputs.setting("overshoot_chance_max"))
    limited_by = "wet_edge" if cap < wanted else "rain" if float(np.mean(rain)) > 0.1 else ""
    return Dose(
        litres_m2=math.nan if math.isnan(wanted + cap) else max(min(wanted, cap), 0.0),
        greatest_litres_m2=cap,
        w_now_pct=float(np.mean(w)),
        evaporation_mm=evaporation,
        rain_mm=float(np.mean(rain)),
        limited_by=limited_by,
    )


def _weather_window(prepared: Prepared, s: int, from_h: float) -> tuple[float, float] | None:
    """Return (first start, last end) of an unbroken run of today in which the strip can be rolled, weather only.

    NaN starts where the weather is unknown, None where there is no time.
    """
    rolling_h, cond = prepared.rolling_h[s], prepared.cond
    first, last_end = math.nan, math.nan
    start_h = from_h
    while start_h + rolling_h + prepared.seal_h <= prepared.today.until_h + 1e-9:
        part = rows(cond, start_h, start_h + rolling_h + prepared.seal_h)
        chance = math.nan
        if part is not None:
            rainless = float(np.mean(cond.is_rainless[part].min(axis=0)))
            chance = rainless * float(cond.is_unfrozen[part].min() * cond.is_calm[part].min())
        if math.isnan(chance):
            return math.nan, math.nan
        if chance >= prepared.chance_needed:
            first = start_h if math.isnan(first) else first
            last_end = start_h + rolling_h
        elif not math.isnan(first):
            break
        start_h = math.floor(4.0 * start_h + 1e-6) / 4.0 + 0.25
    return None if math.isnan(first) else (first, last_end)


def _planned(
    prepared: Prepared, s: int, truck: Truck, given: Dose, at_h: float, limited_by: str
) -> tuple[WaterPlan, Trips] | None:
    """Return the plan of a dose with its first drop at at_h, None where the truck cannot be used."""
    inputs = prepared.inputs
    strip, material = inputs.strips[s], inputs.material(inputs.strips[s])
    if truck.tank_litres > 0.0 and math.isfinite(given.litres_m2 * truck.tank_litres):
        loaded = whole_loads_litres(given.litres_m2 * strip.area_m2, truck.tank_litres)
        given = replace(given, litres_m2=loaded / strip.area_m2)
    spraying = _sprayed(prepared, strip, material, truck, given.litres_m2)
    if spraying is None:
        return None
    tripping = trips(
        given.litres_m2,
        spraying,
        truck,
        length_m=strip.length_m,
        width_m=strip.width_m,
        pace=pace(inputs.settings),
    )
    if not math.isfinite(tripping.spray_h):
        return None
    warnings = list(spraying.warnings)
    if not inputs.setting("dose_min_litres_m2") <= given.litres_m2 <= inputs.setting("dose_max_litres_m2"):
        warnings.insert(0, "dose_outside_usual")
    if given.limited_by == "wet_edge":
        warnings.append("retest_after_watering")
    if not strip.lift_thickness_m <= inputs.site.mixing_depth_m:
        warnings.append("lift_thicker_than_mixing")
    mass = strip.dry_mass_kg_m2
    reached = given.w_now_pct + 100.0 * (given.litres_m2 - given.evaporation_mm + given.rain_mm) / mass
    plan = WaterPlan(
        strip_id=strip.id,
        litres=given.litres_m2 * strip.area_m2,
        litres_m2=given.litres_m2,
        w_now_pct=given.w_now_pct,
        w_target_pct=reached,
        evaporation_allowance_mm=given.evaporation_mm,
        rain_credit_mm=given.rain_mm,
        passes=spraying.passes,
        litres_m2_per_pass=spraying.litres_m2_per_pass,
        speed_km_h=spraying.speed_km_h,
        loads=tripping.loads,
        load_ends_m=tripping.load_ends_m,
        start_utc=moment(at_h),
        finish_utc=moment(at_h + tripping.spray_h),
        truck_id=truck.id,
        limited_by=limited_by,
        warnings=tuple(warnings),
        check=driver_check(spraying, tripping, min(given.litres_m2 * strip.area_m2, truck.tank_litres)),
    )
    return plan, tripping


def driver_check(spraying: Spray, tripping: Trips, first_load_litres: float) -> DriverCheck:
    """Return what a driver can check by a watch and the tank's gauge: on the section of the first load."""
    length_m = tripping.load_ends_m[0]
    after = math.ceil(spraying.passes / 2) if spraying.passes > 1 else 0
    left = 1.0 - after / spraying.passes if after else 0.5
    return DriverCheck(
        length_m=length_m,
        time_s=3.6 * length_m / spraying.speed_km_h,
        after_passes=after,
        left_litres=left * first_load_litres,
    )


def _sprayed(prepared: Prepared, strip: Strip, material: Material, truck: Truck, litres_m2: float) -> Spray | None:
    """Return passes and speed of a dose, None where dose, limit or truck are not positive numbers."""
    limit = pass_limit_litres_m2(material, prepared.inputs.setting("pass_soak_min"))
    rates = (truck.flow_litres_min, truck.bar_width_m, truck.speed_min_km_h, truck.speed_max_km_h, truck.tank_litres)
    if not all(math.isfinite(v) and v > 0.0 for v in (litres_m2, limit, *rates)):
        return None
    return spray(litres_m2, limit, truck, strip.width_m)


def _unfrozen(prepared: Prepared, from_h: float, until_h: float) -> float:
    """Return 1 where no hour freezes, 0 where one does, NaN where one is unknown: no water where it can ice."""
    part = rows(prepared.cond, from_h, until_h)
    return math.nan if part is None else float(prepared.cond.is_unfrozen[part].min())


def watered(prepared: Prepared, s: int, truck: Truck, free_h: float) -> tuple[Outcome, float]:
    """Return what the truck, free from free_h on, can do for strip s, and when it is free again."""
    inputs = prepared.inputs
    material = inputs.material(inputs.strips[s])
    soak_h, efficiency = inputs.setting("soak_in_h"), inputs.setting("truck_efficiency")
    at_h = free_h + first_drop_h(truck, efficiency)
    known = math.isfinite(at_h) and math.isfinite(soak_h) and math.isfinite(prepared.rolling_h[s])
    if not known:
        return Outcome(dose_litres_m2=math.nan, is_in_time=math.nan), free_h
    roll_h = at_h + soak_h
    for _ in range(_ROUNDS):
        given = dose(prepared, s, at_h, roll_h, target_pct=target_w_pct(material))
        planned = _planned(prepared, s, truck, given, at_h, given.limited_by)
        if planned is None:
            unknown = math.isnan(given.litres_m2) or given.litres_m2 > 0.0
            outcome = Outcome(dose_litres_m2=given.litres_m2, is_in_time=math.nan if unknown else 0.0)
            return outcome, free_h
        plan, tripping = planned
        finish_h = at_h + tripping.spray_h
        found = _weather_window(prepared, s, finish_h + soak_h)
        if found is None:
            return Outcome(dose_litres_m2=given.litres_m2, is_in_time=0.0), free_h
        if math.isnan(found[0]):
            return Outcome(dose_litres_m2=given.litres_m2, is_in_time=math.nan), free_h
        settled = abs(found[0] - roll_h) < 1.0 / 60.0
        roll_h, last_h = found
        if settled:
            break
    icing = _unfrozen(prepared, at_h, finish_h + soak_h)
    if icing != 1.0:
        return Outcome(dose_litres_m2=given.litres_m2, is_in_time=icing), free_h
    until_h = max(min(last_h, _dry_again_h(prepared, s, plan, roll_h)), roll_h + prepared.rolling_h[s])
    outcome = Outcome(dose_litres_m2=given.litres_m2, is_in_time=1.0, plan=plan, from_h=roll_h, until_h=until_h)
    return outcome, finish_h + tripping.leave_h


def _dry_again_h(prepared: Prepared, s: int, plan: WaterPlan, from_h: float) -> float:
    """Return when a watered strip left lying would reach the dry edge [epoch h], infinity where not within a day."""
    inputs = prepared.inputs
    strip, material = inputs.strips[s], inputs.material(inputs.strips[s])
    spare_mm = -water_litres(strip.dry_mass_kg_m2, plan.w_target_pct, material.omc_pct + material.window_low_pct)
    for hour in range(1, 25):
        lost = float(amount_between(prepared.cond, inputs.et0_mm, from_h, from_h + hour))
        if not lost * inputs.setting("watered_surface_kc") < spare_mm:
            return from_h + hour
    return math.inf


def maintain(
    prepared: Prepared, s: int, window: Stretch, truck: Truck, free_h: float
) -> tuple[WaterPlan, float] | None:
    """Return the light watering that replaces what evaporates while a right lift is rolled, and when the truck is back.

    None where it is not worth it. Never past the wet edge; never a reason to change a verdict.
    free_h   when the truck can be called next [epoch h]
    """
    inputs = prepared.inputs
    row = prepared.row_at(window.start_h)
    if row is None:
        return None
    mean_pct = float(np.mean(inputs.w_pct[row, s]))
    given = dose(prepared, s, window.start_h, window.end_h, target_pct=mean_pct)
    if not given.litres_m2 >= inputs.setting("dose_min_litres_m2"):
        return None
    # Thinner than its fastest pass no truck can spray; that much is put on if the wet edge allows.
    thinnest = spray_rate_litres_m2(truck.flow_litres_min, truck.speed_max_km_h, truck.bar_width_m)
    given = replace(given, litres_m2=max(given.litres_m2, thinnest))
    if not given.litres_m2 <= given.greatest_litres_m2:
        return None
    ready_h = free_h + first_drop_h(truck, inputs.setting("truck_efficiency"))
    at_h = max(ready_h, window.start_h)
    planned = _planned(prepared, s, truck, given, at_h, "maintain")
    if planned is None or not at_h + planned[1].spray_h <= window.end_h + 1e-9:
        return None
    if _unfrozen(prepared, at_h, window.end_h) != 1.0:
        return None
    return planned[0], at_h + planned[1].spray_h + planned[1].leave_h
