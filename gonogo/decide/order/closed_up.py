"""Today's rolling without the gaps that planning in steps leaves: each lift begins when its roller is free.

The solver plans in steps of a quarter or half an hour, and a strip takes as long as it takes: up to a step lies idle
after each. What comes next is moved up into it, where its own hours allow and its chance is no worse than the ensemble
can tell; what a crew was told today and had no place takes the hours that this leaves.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from gonogo.decide.inputs import Floats
from gonogo.decide.order.option import Option
from gonogo.decide.order.options import LiftToDo
from gonogo.decide.order.today import weather_chance
from gonogo.decide.today import Prepared
from gonogo.decide.water.forecast import chance_watered
from gonogo.decide.windows import window_chance
from gonogo.records.site import Strip

PRIORITY_STEP = 2.0  # our own choice
SAMPLING_SD = 1.64  # chances closer than this many standard errors of the ensemble are the same
_NUDGE_H = 1.0 / 3600.0


def counted_chance(chance: float, best: float, n_members: int) -> float:
    """Return a chance, or the best one where both differ by no more than an ensemble of so many members can tell."""
    return float(counted_chances(np.array([chance]), np.array([best]), n_members)[0])


def counted_chances(chance: Floats, best: Floats, n_members: int) -> Floats:
    """Return many chances (N,), as `counted_chance`."""
    error = SAMPLING_SD * np.maximum(np.sqrt(np.maximum(best * (1.0 - best), 0.0) / n_members), 1.0 / n_members)
    return np.where(best - chance <= error, best, chance)


def settled(prepared: Prepared, lifts: Sequence[LiftToDo], chosen: Sequence[Option | None]) -> list[Option | None]:
    """Return the options of lifts, those of today to the minute, and places for what was told today and had none.

    chosen   of each lift, None where it has no place

    A roller of which there are several keeps the steps: who drives which is not planned.
    """
    inputs = prepared.inputs
    rollers = [inputs.roller(inputs.strips[lift.s]) for lift in lifts]
    found = list(chosen)
    for roller in {r.id: r for r in rollers if r.count == 1}.values():
        own = [k for k, r in enumerate(rollers) if r.id == roller.id]
        _close_up(prepared, lifts, found, own)
        for k in sorted(own, key=lambda k: -_worth(prepared, lifts[k])):
            if lifts[k].is_told and lifts[k].is_present and _day(found[k]) != 0:
                found[k] = _filled_in(prepared, lifts[k], [found[j] for j in own]) or found[k]
        _close_up(prepared, lifts, found, own)
    return found


def _day(option: Option | None) -> int | None:
    return None if option is None else option.day_n


def _worth(prepared: Prepared, lift: LiftToDo) -> float:
    strip = prepared.inputs.strips[lift.s]
    return weight_of(strip) * strip.area_m2


def weight_of(strip: Strip) -> float:
    """Return what a square metre of a strip counts by its priority: a step doubles."""
    return PRIORITY_STEP ** (3 - strip.priority)


def _close_up(prepared: Prepared, lifts: Sequence[LiftToDo], found: list[Option | None], own: Sequence[int]) -> None:
    """Move today's options of one roller to where it is free, in their order.

    What an order that stands leaves too little time for loses its place.
    """
    today = sorted((o.start_h, k) for k in own if (o := found[k]) is not None and o.day_n == 0)
    free_h = prepared.today.from_h
    ended_h: dict[int, float] = {}
    gap_h = prepared.inputs.setting("next_lift_after_h")
    for _, k in today:
        lift, option = lifts[k], found[k]
        assert option is not None
        first_h = min(o.start_h for o in lift.options if o.day_n == 0)
        start_h = max(free_h, first_h, ended_h.get(lift.s, -math.inf) + gap_h)
        if option.is_standing:
            start_h = option.start_h
        if start_h < option.start_h - _NUDGE_H:
            option = found[k] = _moved(prepared, lift, option, start_h) or option
        elif start_h > option.start_h + _NUDGE_H:
            last_h = max(o.end_h for o in lift.options if o.day_n == 0)
            later = _moved(prepared, lift, option, start_h)
            if later is None or later.end_h > last_h + _NUDGE_H:
                found[k] = None
                continue
            option = found[k] = later
        free_h = max(free_h, option.end_h)
        ended_h[lift.s] = option.end_h


def _filled_in(prepared: Prepared, lift: LiftToDo, taken: Sequence[Option | None]) -> Option | None:
    """Return the earliest place of today that a lift still has beside what is taken, None where it has none."""
    own = [o for o in lift.options if o.day_n == 0 and not math.isnan(o.chance)]
    if not own:
        return None
    best = max(own, key=lambda o: (o.chance, -o.start_h))
    first_h, last_h, lasts_h = min(o.start_h for o in own), max(o.end_h for o in own), best.end_h - best.start_h
    busy = sorted((o.start_h, o.end_h) for o in taken if o is not None and o.day_n == 0)
    for start_h in (first_h, *(end for _, end in busy)):
        is_free = all(start_h + lasts_h <= start + _NUDGE_H or start_h >= end - _NUDGE_H for start, end in busy)
        if start_h >= first_h - _NUDGE_H and start_h + lasts_h <= last_h + _NUDGE_H and is_free:
            moved = _moved(prepared, lift, best, start_h)
            if moved is not None:
                return moved
    return None


def _moved(prepared: Prepared, lift: LiftToDo, option: Option, start_h: float) -> Option | None:
    """Return an option that starts at another hour, None where its chance would be worse."""
    chance = _chance(prepared, lift, option, start_h)
    if math.isnan(chance) or counted_chance(chance, option.chance, prepared.inputs.w_pct.shape[2]) < option.chance:
        return None
    return option._replace(start_h=start_h, end_h=start_h + option.end_h - option.start_h, chance=chance)


def _chance(prepared: Prepared, lift: LiftToDo, option: Option, start_h: float) -> float:
    rolling_h = prepared.rolling_h[lift.s]
    if not lift.is_present:
        held = weather_chance(prepared, lift.s, start_h, rolling_h + prepared.seal_h)
        return held * prepared.inputs.setting("fresh_lift_chance")
    if option.litres > 0.0:
        litres_m2 = option.litres / prepared.inputs.strips[lift.s].area_m2
        return chance_watered(prepared, lift.s, litres_m2, option.at_h, start_h)
    return window_chance(prepared.cond, lift.s, start_h, rolling_h, prepared.seal_h)
