"""What the guide says of a state in a weather, and what answers of a morning agree with it.

The rows follow the French guide to earthworks (GTR, annex 2, class A1: tests/published/gtr_a1.toml) where it was read,
and specifications read (tests/published/weather_stops.toml) or common practice where it was not; each row says which.
States: the window of the table is two points about optimum, and very wet begins at a quarter over optimum, very dry
below seven tenths of it, as in the guide.
"""

from __future__ import annotations

from datetime import date

from gonogo.records.day_plan import Badge, Then
from gonogo.records.verdict import Verdict
from gonogo.soil.classes import SOIL_CLASSES
from guide_table.mornings import MAIL_UTC, SKIES, WINDOW, Morning

VERY_WET, VERY_DRY = 1.25, 0.70
STATES = ("very dry", "dry", "right", "wet", "very wet")
ROLL, DAMP, WATER, TEST, DISK, TREAT_OR_DISK, REMOVE, CLEAR, WAIT = (
    "roll",
    "roll, keep damp",
    "water",
    "test",
    "disk",
    "treat or disk",
    "remove or treat",
    "clear, thaw",
    "wait",
)


def states(morning: Morning) -> tuple[str, ...]:
    """Return the state of a morning; on an edge of the window both neighbours are right."""
    low, high = WINDOW
    if is_clean(morning) and morning.deviation >= high:
        return ("right",)  # as wet as it can be worked: TM 5-818-1
    if morning.deviation in (low, high):
        return ("right", "dry" if morning.deviation < 0 else "wet")
    if low < morning.deviation < high:
        return ("right",)
    if morning.deviation > 0:
        return ("very wet",) if morning.ratio >= VERY_WET else ("wet",)
    return ("very dry",) if morning.ratio < VERY_DRY else ("dry",)


# state -> weather -> answers that agree, and the source of the row
GUIDE: dict[str, dict[str, tuple[str, ...]]] = {
    # GTR A1 th, read: no in every weather.
    "very wet": {
        "dry hot": (REMOVE, DISK),  # drying by months of stockpiling after study: a model that shows days may say disk
        "mild": (REMOVE,),
        "drizzle": (REMOVE, WAIT),
        "heavy rain": (REMOVE, WAIT),
        "thunder": (REMOVE, WAIT),
    },
    # GTR A1 h, read: no in rain, treated where it neither rains nor dries, aerated in strong evaporation.
    "wet": {
        "dry hot": (DISK,),
        "mild": (REMOVE, TREAT_OR_DISK),
        "drizzle": (WAIT, REMOVE),
        "heavy rain": (WAIT, REMOVE),
        "thunder": (WAIT, REMOVE, TREAT_OR_DISK, DISK),
    },
    # GTR A1 m, read: never in heavy rain, in light rain with care, as it is, surface watered in strong evaporation.
    "right": {
        "dry hot": (DAMP,),
        "mild": (ROLL,),
        "drizzle": (ROLL,),
        "heavy rain": (WAIT,),
        "thunder": (ROLL, DAMP),
    },
    # Not read for A1: water and mix, never into rain that undoes it (common practice).
    "dry": {
        "dry hot": (WATER,),
        "mild": (WATER,),
        "drizzle": (WATER, WAIT),
        "heavy rain": (WAIT,),
        "thunder": (WATER, WAIT),
    },
    "very dry": {
        "dry hot": (WATER,),
        "mild": (WATER,),
        "drizzle": (WATER, WAIT),
        "heavy rain": (WAIT,),
        "thunder": (WATER, WAIT),
    },
}
# Frozen fill, or fill on frozen ground, is an absolute stop in every specification read; snow is cleared first.
for _state in STATES:
    GUIDE[_state] |= {"snow lying": (CLEAR,), "frost": (CLEAR,)}


def answer(morning: Morning) -> str:
    """Return what a morning has the crew do, in the words of the guide."""
    decision, plan = morning.decision, morning.plan
    if decision.reason == "dry_crust":
        return DAMP
    if decision.verdict == Verdict.WATER or decision.reason == "water_for_tomorrow":
        return WATER
    if decision.verdict == Verdict.COMPACT:
        return DAMP if "keep_surface_damp" in decision.advice else ROLL
    if "clear_frozen" in decision.advice or "clear_snow" in decision.advice:
        return CLEAR
    if plan.badge == Badge.TEST:
        return TEST
    if "very_wet_remove_or_treat" in decision.advice:
        return REMOVE
    if any(at.date() == plan_day(morning) for at in (() if plan.dry_back is None else plan.dry_back.disk_utc)):
        return TREAT_OR_DISK if "treat_or_remove" in decision.advice else DISK
    return WAIT


def plan_day(morning: Morning) -> date:
    """Return the local date of a morning; the table's site keeps UTC."""
    return MAIL_UTC[SKIES[morning.sky].season].date()


def branch(morning: Morning) -> str:
    """Return what a test that decides has the crew do with the result that the deviation of the table makes likely."""
    test = morning.plan.test
    if test is None:
        return TEST
    low, high = WINDOW
    then = test.above if morning.deviation >= high else test.below if morning.deviation <= low else test.inside
    shown = {Then.DISK: DISK, Then.WATER: WATER, Then.CALL: WATER, Then.HOLD: WAIT, Then.ROLL: ROLL}.get(then, TEST)
    if shown == DISK and "treat_or_remove" in morning.decision.advice:
        return TREAT_OR_DISK
    return shown


def agrees(morning: Morning) -> bool:
    """Return whether the guide agrees with a morning; a test in place of an answer agrees at an edge of the window."""
    found, own = answer(morning), states(morning)
    if any(found in GUIDE[state][morning.sky] for state in own):
        return True
    if found == TEST:
        likely = branch(morning)
        return len(own) > 1 or any(likely in GUIDE[state][morning.sky] for state in own)
    return False


def is_clean(morning: Morning) -> bool:
    """Whether the soil drains freely, so that the states of the guide do not bind it."""
    return SOIL_CLASSES[morning.soil].is_granular
