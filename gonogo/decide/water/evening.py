"""Water in the afternoon for a later day: what soaks longer than the day has hours, or finds no time in it."""

from __future__ import annotations

import math
from datetime import timedelta

import numpy as np

from gonogo.decide.today import Prepared
from gonogo.decide.water.dose import dose, target_w_pct
from gonogo.decide.water.spraying import efficiency_of, first_drop_h
from gonogo.decide.water.watering import plan_of
from gonogo.decide.windows import Working, rows, working
from gonogo.records.site import Truck
from gonogo.records.verdict import WaterPlan

FOR_TOMORROW = "water_for_tomorrow"  # the reason of a strip that is watered today and rolled on a later day
_ROUNDS = 4
DAYS_AHEAD = 1  # only for the very next day: what lies over a weekend is watered when it is over


def planned(prepared: Prepared, s: int, truck: Truck, free_h: float) -> tuple[WaterPlan, float] | None:
    """Return the plan of this afternoon for strip s and when the truck is free again [epoch h]; None where it may not.

    The last drop falls at the shift's end, or later than the truck's other work allows not at all. It may not where
    rain or frost is likely until it has soaked in, or where the next working day has no hours to roll it in.
    """
    inputs, today = prepared.inputs, prepared.today
    strip = inputs.strips[s]
    following = next_working(prepared)
    soak_h = inputs.soak_h(strip)
    if following is None or not today.is_working_day or not math.isfinite(soak_h + prepared.rolling_h[s]):
        return None
    ready_h = free_h + first_drop_h(truck, efficiency_of(inputs, truck))
    at_h, spray_h, leave_h = max(ready_h, today.until_h - 1.0), 0.0, 0.0
    for _ in range(_ROUNDS):  # the dose says how long the truck takes, and with it when it begins
        roll_h = max(following.from_h, at_h + soak_h)
        given = dose(prepared, s, at_h, roll_h, target_pct=target_w_pct(inputs.material(strip)))
        made = plan_of(prepared, s, truck, given, at_h, given.limited_by)
        if made is None:
            return None
        plan, spray_h, leave_h = made[0], made[1].spray_h, made[1].leave_h
        begins_h = max(ready_h, today.until_h - spray_h - leave_h)
        if abs(begins_h - at_h) < 1.0 / 60.0:
            break
        at_h = begins_h
    if at_h + spray_h > today.until_h + 1e-9 or not given.litres_m2 >= inputs.setting("dose_min_litres_m2"):
        return None
    soaked_h = at_h + spray_h + soak_h
    if not _is_kept_dry_and_unfrozen(prepared, s, at_h, soaked_h) or not _has_hours(prepared, s, following, soaked_h):
        return None
    return plan, at_h + spray_h + leave_h


def next_working(prepared: Prepared) -> Working | None:
    """Return the working hours of the next working day, None where none comes within DAYS_AHEAD."""
    day = prepared.inputs.day
    for _ in range(DAYS_AHEAD):
        day += timedelta(days=1)
        hours = working(prepared.inputs, day)
        if hours.is_working_day and hours.hours > 0.0:
            return hours
    return None


def _is_kept_dry_and_unfrozen(prepared: Prepared, s: int, from_h: float, until_h: float) -> bool:
    """Whether neither rain nor frost is likely while water is put on and soaks in."""
    cond = prepared.cond
    part = rows(cond, from_h, until_h)
    if part is None or float(cond.is_unfrozen[part, s].min()) != 1.0:
        return False
    rained = 1.0 - float(np.mean(cond.is_rainless[part, s].min(axis=0)))
    return rained <= prepared.inputs.setting("water_rain_chance_max")


def _has_hours(prepared: Prepared, s: int, following: Working, soaked_h: float) -> bool:
    """Whether the next working day has hours in which the weather likely lets the strip be rolled."""
    needed_h = prepared.rolling_h[s] + prepared.seal_h
    start_h = max(following.from_h, soaked_h)
    cond = prepared.cond
    while start_h + needed_h <= following.until_h:
        part = rows(cond, start_h, start_h + needed_h)
        if part is None:
            return False
        dry = float(np.mean(cond.is_rainless[part, s].min(axis=0)))
        if dry * float(cond.is_unfrozen[part, s].min() * cond.is_calm[part].min()) >= prepared.chance_needed:
            return True
        start_h += 1.0
    return False
