"""A lift that is spread this morning: whether it may be, its options of today, and by when it must be rolled."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from gonogo.decide.ground_facts import is_fit_to_spread_on
from gonogo.decide.order.option import Option
from gonogo.decide.order.today import SECOND_H, TEST_H, starts_today, weather_chances
from gonogo.decide.today import Prepared

SPREAD_H = 0.75  # a lift of usual size is spread in about so long: common practice, no source
STEP_BACK_H = 0.25
RAIN_STEP_H = 1.0 / 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """Hours of today in which a lift may be rolled once its test is in [epoch h]; test_h: when the test is done."""

    test_h: float
    from_h: float
    until_h: float


def new_lift_today(prepared: Prepared, s: int, mass_kg_m2: float, step_h: float) -> Iterator[Option]:
    """Yield the starts of a lift that is spread this morning: after its test, before it leaves its window."""
    inputs = prepared.inputs
    opening = opening_of_new_lift(prepared, s, mass_kg_m2) if is_fit_to_spread_on(prepared, s) else None
    if opening is None:
        return
    rolling_h = prepared.rolling_h[s]
    start_h = starts_today(prepared, opening.from_h, opening.until_h - rolling_h, step_h)
    by_h = roll_by_h(prepared, s, opening)
    if opening.from_h <= by_h - rolling_h and by_h < opening.until_h:  # no step may fall between its test and the rain
        start_h = np.union1d(start_h, by_h - rolling_h)
    holds = weather_chances(prepared, s, start_h, rolling_h + prepared.seal_h, dry_from_h=opening.test_h)
    chances = holds * inputs.setting("fresh_lift_chance")
    is_likely = chances >= inputs.setting("plan_chance_min")
    for begins_h, chance in zip(start_h[is_likely].tolist(), chances[is_likely].tolist(), strict=True):
        yield Option(day_n=0, start_h=begins_h, end_h=begins_h + rolling_h, chance=chance, is_after_test=True)


def opening_of_new_lift(prepared: Prepared, s: int, mass_kg_m2: float) -> Opening | None:
    """Return the hours of a lift that is spread from the start of the shift on; None where they hold no rolling.

    It may be spread until a third of the shift is over; it is taken to lie as the borrow delivers it, and loses what a
    watered surface loses until it reaches the dry edge.
    """
    inputs, today = prepared.inputs, prepared.today
    if not today.is_working_day or today.hours <= 0.0 or inputs.day in inputs.roller(inputs.strips[s]).away:
        return None
    material = inputs.material(inputs.strips[s])
    w_pct = material.omc_pct if material.borrow_w_pct is None else material.borrow_w_pct
    if w_pct > material.omc_pct + material.window_high_pct:
        return None
    # Where the borrow is dry, its lift is watered to optimum after its test, and dries from there.
    w_pct = max(w_pct, material.omc_pct)
    spare_mm = (w_pct - material.omc_pct - material.window_low_pct) / 100.0 * mass_kg_m2
    test_h = today.from_h + SPREAD_H + TEST_H
    last_h = today.until_h - prepared.seal_h
    until_h = test_h
    while until_h + STEP_BACK_H <= last_h + SECOND_H:
        lost_mm = inputs.setting("watered_surface_kc") * float(
            prepared.evaporated.between(test_h, until_h + STEP_BACK_H)
        )
        if not lost_mm <= spare_mm:
            break
        until_h += STEP_BACK_H
    return Opening(test_h=test_h, from_h=test_h, until_h=until_h) if until_h > test_h else None


def spread_stop(prepared: Prepared, s: int, mass_kg_m2: float) -> str:
    """Return why no lift is to be spread on a strip this morning: a key of SPREAD_STOPS, "" where one may be."""
    today = prepared.today
    if not today.is_working_day:
        return "day_off"
    if prepared.inputs.day in prepared.inputs.roller(prepared.inputs.strips[s]).away:
        return "roller_away"
    if not is_fit_to_spread_on(prepared, s):
        return "ground_not_fit"
    opening = opening_of_new_lift(prepared, s, mass_kg_m2)
    if opening is None:
        return "borrow_not_right" if today.hours > 0.0 else "day_over"
    return "" if math.isfinite(roll_by_h(prepared, s, opening)) else "weather"


def roll_by_h(prepared: Prepared, s: int, opening: Opening) -> float:
    """Return by when a lift that is spread today must be rolled [epoch h]: before it leaves its window, and before rain
    reaches it as likely as the site does not allow. Minus infinity where the weather leaves no time.
    """
    rolling_h = prepared.rolling_h[s]
    starts = np.arange(opening.from_h, opening.until_h - rolling_h + SECOND_H, RAIN_STEP_H)
    holds = weather_chances(prepared, s, starts, rolling_h + prepared.seal_h, dry_from_h=opening.test_h)
    last_h = float(np.max(starts[holds >= prepared.chance_needed], initial=-math.inf))
    if len(starts) and last_h == starts[-1]:
        return opening.until_h  # the step is wider than what is left of the opening
    return last_h + rolling_h
