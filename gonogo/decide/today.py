"""One morning made ready: the threshold, today's stretches of every strip, and the best of them."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from datetime import date
from functools import partial

from gonogo.decide import rolling
from gonogo.decide.conditions import Conditions, conditions, once
from gonogo.decide.inputs import MorningInputs
from gonogo.decide.windows import (
    RunningSum,
    Stretch,
    Working,
    best,
    epoch_h,
    running_sum,
    stretch,
    stretches,
    working,
)
from gonogo.records.site import Strip, Truck

_NUDGE_H = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class TruckTime:
    """A truck's time for one dose.

    first_h   from the call until the first drop [h]; spray_h  first drop to last; leave_h  until it can be called again
    """

    first_h: float
    spray_h: float
    leave_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Dosed:
    """A dose [L/m2] by a truck, and that truck's time for it."""

    truck: Truck
    litres_m2: float
    took: TruckTime


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """A morning with what every fact, plan and outlook asks for, computed once.

    today          what is left of the working hours
    rolling_h      (S,) rolling time of each strip [h]
    rained         (S,) running sum of each strip's members' rain [mm]; evaporated: of reference evapotranspiration
    candidates     by strip, today's stretches; best: the best of them, None where none fits
    doses          by row and date, the doses that were asked for so far (see water/forecast.py)
    ahead          working hours of the days to the end of the table, once they were asked for (see outlook.py)
    """

    inputs: MorningInputs
    cond: Conditions
    today: Working
    chance_needed: float
    rolling_h: tuple[float, ...]
    seal_h: float
    rained: tuple[RunningSum, ...]
    evaporated: RunningSum
    candidates: tuple[tuple[Stretch, ...], ...]
    best: tuple[Stretch | None, ...]
    doses: dict[tuple[int, date], tuple[Dosed, ...]] = field(init=False, default_factory=dict, repr=False)
    ahead: list[Working] = field(init=False, default_factory=list, repr=False)

    def row_at(self, at_h: float) -> int | None:
        """Return the row whose hour holds a moment, None outside the table."""
        if not math.isfinite(at_h):
            return None
        row = math.floor(at_h + _NUDGE_H) - self.cond.first_h
        return row if 0 <= row < len(self.inputs.hour_utc) else None


def is_in_binder_time(inputs: MorningInputs, s: int, start_h: float, end_h: float) -> bool:
    """Whether a lift may be rolled in some hours [epoch h] by its binder's clock; one without binder may always."""
    hours = inputs.binder_hours(s)
    if hours is None:
        return True
    return start_h >= epoch_h(hours[0]) - _NUDGE_H and not end_h > epoch_h(hours[1]) + _NUDGE_H


def run_around(prepared: Prepared, s: int, chosen: Stretch) -> tuple[float, float]:
    """Return (from_h, until_h) of the unbroken run of good starts that holds the chosen stretch of strip s.

    Rolling that starts at from_h or later and ends by until_h, to the quarter hour, has the chance that is needed.
    """
    candidates, chance_needed = prepared.candidates[s], prepared.chance_needed
    k = candidates.index(chosen)
    first = last = k
    while first > 0 and candidates[first - 1].chance_in_window >= chance_needed:
        first -= 1
    while last + 1 < len(candidates) and candidates[last + 1].chance_in_window >= chance_needed:
        last += 1
    end_h = candidates[last].end_h
    # Starts stand on full hours; the end is pushed on by quarters as far as weather, moisture and shift allow.
    for quarter in (0.25, 0.5, 0.75):
        later = stretch(prepared.cond, s, candidates[last].start_h + quarter, prepared.rolling_h[s], prepared.seal_h)
        fits = later.end_h + prepared.seal_h <= prepared.today.until_h + _NUDGE_H
        fits = fits and is_in_binder_time(prepared.inputs, s, later.start_h, later.end_h)
        if not fits or not later.chance_in_window >= chance_needed:
            break
        end_h = later.end_h
    return candidates[first].start_h, end_h


def chance_needed(inputs: MorningInputs) -> float:
    """Return the chance from which a strip is compacted [-].

    Rolling pays where its expected loss is below that of idling: (1 - chance) x failed_lift_cost < idle_crew_cost. So
    the threshold is 1 - idle/failed where the site gives both costs, never below 0.5 or above 0.99; else the setting.
    Source: the classical cost-loss ratio. Checked in tests/decide/test_today.py.
    """
    failed, idle = inputs.setting("failed_lift_cost"), inputs.setting("idle_crew_cost")
    if failed > 0.0 and idle > 0.0:
        return min(max(1.0 - idle / failed, 0.5), 0.99)
    return math.nan if math.isnan(failed + idle) else inputs.setting("compact_chance_min")


def rolling_h_on(inputs: MorningInputs, strip: Strip, day: date) -> float:
    """Return how long a strip takes to roll on a day [h], with the roller that it has then."""
    fastest_km_h, turn_min = inputs.setting("rolling_speed_max_km_h"), inputs.setting("roller_turn_min")
    return rolling.rolling_time_h(strip, inputs.roller_on(strip, day), fastest_km_h, turn_min)


def prepare(inputs: MorningInputs, before: Prepared | None = None) -> Prepared:
    """Return the morning with its conditions, working hours and today's stretches of every strip.

    before   of the first look: a strip that has its weather here too is as it was there
    """
    kept = set() if before is None else {s for s in range(len(inputs.strips)) if _is_as_before(inputs, before, s)}
    cond = conditions(inputs, None if before is None else before.cond, kept)
    today = working(inputs, inputs.day)
    seal_h = inputs.setting("seal_time_h")
    rolling_h = tuple(rolling_h_on(inputs, strip, inputs.day) for strip in inputs.strips)
    candidates = tuple(
        before.candidates[s]
        if before is not None and s in kept
        else tuple(
            c
            for c in stretches(cond, s, soaked(inputs, s, today), time_h, seal_h)
            if is_in_binder_time(inputs, s, c.start_h, c.end_h)
        )
        for s, time_h in enumerate(rolling_h)
    )
    return Prepared(
        inputs=inputs,
        cond=cond,
        today=today,
        chance_needed=chance_needed(inputs),
        rolling_h=rolling_h,
        seal_h=seal_h,
        rained=once(cond.rain_mm.strips, partial(running_sum, cond.first_h)),
        evaporated=running_sum(cond.first_h, inputs.et0_mm),
        candidates=candidates,
        best=tuple(best(c) for c in candidates),
    )


def soaked(inputs: MorningInputs, s: int, today: Working) -> Working:
    """Return what is left of the working hours once the water that was put on row s has soaked in."""
    strip = inputs.strips[s]
    watered_utc = inputs.last_water_utc.get(strip.id)
    if watered_utc is None or inputs.column(inputs.untested_water_litres_m2, s) < inputs.setting("dose_min_litres_m2"):
        return today
    return replace(today, from_h=min(max(today.from_h, epoch_h(watered_utc) + inputs.soak_h(strip)), today.until_h))


def _is_as_before(inputs: MorningInputs, before: Prepared, s: int) -> bool:
    """Whether row s has the members that it had: those of one and the same weather."""
    return inputs.weather_of(s) is before.inputs.weather_of(s)
