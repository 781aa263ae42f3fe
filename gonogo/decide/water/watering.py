"""Whether the truck can water a strip in time, the plan that its driver works by, and keeping a right lift damp."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from gonogo.decide.inputs import MorningInputs
from gonogo.decide.lasting import share
from gonogo.decide.today import Prepared
from gonogo.decide.water.dose import Dose, dose, is_only_crust, target_w_pct, water_litres
from gonogo.decide.water.spraying import (
    Spray,
    Trips,
    efficiency_of,
    first_drop_h,
    pace,
    pass_limit_litres_m2,
    spray,
    spray_rate_litres_m2,
    trips,
    whole_loads_litres,
)
from gonogo.decide.windows import amount_between, moment, rows
from gonogo.records.site import Material, Strip, Truck
from gonogo.records.verdict import WaterPlan

DRY_CRUST = "dry_crust"  # the reason of a strip whose top alone is watered
_ROUNDS = 6  # dose and time depend on each other; each round closes the gap by far more than a factor of ten


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What the water truck could do for one strip.

    is_in_time       1, 0, or NaN where a number that it depends on is unknown
    is_rained_on     1 where there would be time, did no rain fall into watering and soaking; else 0
    tomorrow         not in time today: the plan of this afternoon, for a strip that soaks over night; None without
    is_taken         1 where the truck could do it in time, had it no other strips to water; else 0
    plan             None unless it is in time
    from_h, until_h  rolling window after watering [epoch h], NaN where there is none
    """

    dose_litres_m2: float
    is_in_time: float
    is_taken: float = 0.0
    is_rained_on: float = 0.0
    plan: WaterPlan | None = None
    tomorrow: WaterPlan | None = None
    from_h: float = math.nan
    until_h: float = math.nan


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
            rainless = share(np.minimum.reduce(cond.is_rainless[part, s]))
            chance = rainless * float(cond.is_unfrozen[part, s].min() * cond.is_calm[part].min())
        if math.isnan(chance):
            return math.nan, math.nan
        if chance >= prepared.chance_needed:
            first = start_h if math.isnan(first) else first
            last_end = start_h + rolling_h
        elif not math.isnan(first):
            break
        start_h = math.floor(4.0 * start_h + 1e-6) / 4.0 + 0.25
    return None if math.isnan(first) else (first, last_end)


def plan_of(
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
        pace=pace(inputs, truck),
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
    )
    return plan, tripping


def _sprayed(prepared: Prepared, strip: Strip, material: Material, truck: Truck, litres_m2: float) -> Spray | None:
    """Return passes and speed of a dose, None where dose, limit or truck are not positive numbers."""
    limit = pass_limit_litres_m2(material, prepared.inputs.setting("pass_soak_min"))
    rates = (truck.flow_litres_min, truck.bar_width_m, truck.speed_min_km_h, truck.speed_max_km_h, truck.tank_litres)
    if not all(math.isfinite(v) and v > 0.0 for v in (litres_m2, limit, *rates)):
        return None
    return spray(litres_m2, limit, truck, strip.width_m)


def _unfrozen(prepared: Prepared, s: int, from_h: float, until_h: float) -> float:
    """Return 1 where no hour freezes, 0 where one does, NaN where one is unknown: no water where it can ice."""
    part = rows(prepared.cond, from_h, until_h)
    return math.nan if part is None else float(prepared.cond.is_unfrozen[part, s].min())


def soaking_h(inputs: MorningInputs, strip: Strip, *, is_crust: bool) -> float:
    """Return how long a dose soaks in before the strip is rolled [h]; is_crust: of its dry top alone."""
    soak_h = inputs.soak_h(strip)
    return min(soak_h, inputs.setting("crust_soak_h")) if is_crust else soak_h


def watered(prepared: Prepared, s: int, truck: Truck, free_h: float) -> tuple[Outcome, float]:
    """Return what the truck, free from free_h on, can do for strip s, and when it is free again."""
    inputs = prepared.inputs
    is_crust = is_only_crust(prepared, s)
    soak_h = soaking_h(inputs, inputs.strips[s], is_crust=is_crust)
    at_h = free_h + first_drop_h(truck, efficiency_of(inputs, truck))
    known = math.isfinite(at_h) and math.isfinite(soak_h) and math.isfinite(prepared.rolling_h[s])
    if not known:
        return Outcome(dose_litres_m2=math.nan, is_in_time=math.nan), free_h
    soonest_h = at_h
    while True:
        outcome, back_h, wet_until_h = _watered_at(prepared, s, truck, at_h, soak_h, is_crust=is_crust)
        if wet_until_h is None:
            is_rained_on = float(at_h > soonest_h and outcome.is_in_time == 0.0)
            return replace(outcome, is_rained_on=is_rained_on), free_h if back_h is None else back_h
        # Rain would fall into watering or soaking: the first drop waits until it is over, if it is over in time.
        if not wet_until_h > at_h or wet_until_h + soak_h + prepared.rolling_h[s] > prepared.today.until_h:
            return replace(outcome, is_in_time=0.0, is_rained_on=1.0, plan=None), free_h
        at_h = wet_until_h


def _watered_at(
    prepared: Prepared, s: int, truck: Truck, at_h: float, soak_h: float, *, is_crust: bool
) -> tuple[Outcome, float | None, float | None]:
    """Return (outcome, when the truck is back, when rain is over) of a first drop at a moment [epoch h].

    The truck is back only where the water is in time; rain is over only where some is likely in watering and soaking.
    """
    inputs = prepared.inputs
    material = inputs.material(inputs.strips[s])
    roll_h = at_h + soak_h
    for _ in range(_ROUNDS):
        given = dose(prepared, s, at_h, roll_h, target_pct=target_w_pct(material), is_crust=is_crust)
        planned = plan_of(prepared, s, truck, given, at_h, given.limited_by)
        if planned is None:
            unknown = math.isnan(given.litres_m2) or given.litres_m2 > 0.0
            return Outcome(dose_litres_m2=given.litres_m2, is_in_time=math.nan if unknown else 0.0), None, None
        plan, tripping = planned
        finish_h = at_h + tripping.spray_h
        found = _weather_window(prepared, s, finish_h + soak_h)
        if found is None:
            return Outcome(dose_litres_m2=given.litres_m2, is_in_time=0.0), None, None
        if math.isnan(found[0]):
            return Outcome(dose_litres_m2=given.litres_m2, is_in_time=math.nan), None, None
        settled = abs(found[0] - roll_h) < 1.0 / 60.0
        roll_h, last_h = found
        if settled:
            break
    icing = _unfrozen(prepared, s, at_h, finish_h + soak_h)
    if icing != 1.0:
        return Outcome(dose_litres_m2=given.litres_m2, is_in_time=icing), None, None
    until_h = max(min(last_h, _dry_again_h(prepared, s, plan, roll_h)), roll_h + prepared.rolling_h[s])
    outcome = Outcome(dose_litres_m2=given.litres_m2, is_in_time=1.0, plan=plan, from_h=roll_h, until_h=until_h)
    return outcome, finish_h + tripping.leave_h, rain_over_h(prepared, s, at_h, finish_h + soak_h)


def rain_over_h(prepared: Prepared, s: int, from_h: float, until_h: float) -> float | None:
    """Return when rain between two moments is over [epoch h], None where none is likely in all of them together."""
    cond = prepared.cond
    part = rows(cond, from_h, until_h)
    if part is None:
        return None
    dry = cond.is_rainless[part, s]
    if not float(np.mean(1.0 - dry.min(axis=0))) > prepared.inputs.setting("water_rain_chance_max"):
        return None
    likely = np.flatnonzero(np.mean(dry, axis=1) < 1.0)
    return float(cond.first_h + part.start + likely[-1] + 1)


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
    prepared: Prepared, s: int, rolled_h: tuple[float, float], truck: Truck, free_h: float
) -> tuple[WaterPlan, float] | None:
    """Return the light watering that replaces what evaporates while a right lift is rolled, and when the truck is back.

    None where it is not worth it. Never past the wet edge; never a reason to change a verdict.
    rolled_h   from when to when the lift is rolled [epoch h]
    free_h     when the truck can be called next [epoch h]
    """
    inputs = prepared.inputs
    start_h, end_h = rolled_h
    row = prepared.row_at(start_h)
    if row is None:
        return None
    mean_pct = float(np.mean(inputs.w_pct[row, s]))
    given = dose(prepared, s, start_h, end_h, target_pct=mean_pct)
    if not given.litres_m2 >= inputs.setting("dose_min_litres_m2"):
        return None
    # Thinner than its fastest pass no truck can spray; that much is put on if the wet edge allows.
    thinnest = spray_rate_litres_m2(truck.flow_litres_min, truck.speed_max_km_h, truck.bar_width_m)
    given = replace(given, litres_m2=max(given.litres_m2, thinnest))
    if not given.litres_m2 <= given.greatest_litres_m2:
        return None
    ready_h = free_h + first_drop_h(truck, efficiency_of(inputs, truck))
    at_h = max(ready_h, start_h)
    planned = plan_of(prepared, s, truck, given, at_h, "maintain")
    if planned is None or not at_h + planned[1].spray_h <= end_h + 1e-9:
        return None
    if _unfrozen(prepared, s, at_h, end_h) != 1.0:
        return None
    return planned[0], at_h + planned[1].spray_h + planned[1].leave_h
