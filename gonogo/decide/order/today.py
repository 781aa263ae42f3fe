"""Today's options of a lift: as its verdict says, or as its test may release it.

What an earlier run of today told, and has begun or may have, keeps its hours: it has one option, or none once they are
over.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from gonogo import times
from gonogo.decide.dry_back import disk_hours
from gonogo.decide.inputs import Floats, MorningInputs
from gonogo.decide.lasting import shares
from gonogo.decide.order.option import Option
from gonogo.decide.standing import ORDER_STANDS
from gonogo.decide.today import Prepared
from gonogo.decide.water.evening import FOR_TOMORROW
from gonogo.decide.water.forecast import chances_watered, told_water_over_h
from gonogo.decide.windows import epoch_h, row_ends, rows, window_chances
from gonogo.records import shift
from gonogo.records.day_plan import Half, Task
from gonogo.records.verdict import Decision, Verdict

# Verdicts "wait" that a test can release today: the weather and the hours allow work, only the moisture is not known.
TESTABLE = frozenset(
    (
        "work_not_recorded", "watered_not_tested", "pond_not_tested", "no_reading", "reading_too_old",
        "reading_doubtful", "retest_after_rain", "test_outside", "too_uncertain", "dry_crust_unwatered",
        "density_failed", "lift_in_rework", "again_outside",
    )
)  # fmt: skip
# These too, where the lift is as likely inside as the site's test_worth_chance.
TESTABLE_IF_LIKELY = frozenset(("too_wet", "split_lift", "rain_will_wet_it", "no_time_for_water", "truck_taken"))
LIKELY = 0.5
TEST_H = 0.25  # a gauge test with its way and its note: common practice, no source
SECOND_H = 1.0 / 3600.0  # the verdict's times are kept to the second
BREAK_UP_H = 0.75  # a rolled strip of usual size is disked open in about so long: common practice, no source


def is_testable(prepared: Prepared, decision: Decision) -> bool:
    """Return whether a test can release a waiting strip today."""
    if decision.verdict != Verdict.WAIT:
        return False
    if decision.reason in TESTABLE:
        return True
    if decision.reason not in TESTABLE_IF_LIKELY:
        return False
    least = prepared.inputs.setting("test_worth_chance")
    if decision.reason == "too_wet" and disked_this_morning(prepared):
        strip = prepared.inputs.site.strip(decision.strip_id)
        material = prepared.inputs.material(strip)
        is_vague = decision.w_p90_pct - decision.w_p10_pct > material.window_high_pct - material.window_low_pct
        least = least if is_vague else LIKELY  # else it is disked first, and the test comes after it
    return decision.facts.get("chance_in_window", 0.0) >= least


def disked_this_morning(prepared: Prepared) -> bool:
    """Return whether a wet strip of the site is disked today before noon."""
    inputs = prepared.inputs
    first = next(iter(disk_hours(inputs)), None)
    zone = inputs.site.zone
    return first is not None and (
        times.local_date(first, zone) == inputs.day and shift.half_of(inputs.site, first)[1] == Half.MORNING
    )


def options_today(prepared: Prepared, s: int, decision: Decision, step_h: float) -> Iterator[Option]:
    """Yield today's options of the lift that lies there."""
    strip = prepared.inputs.strips[s]
    order = prepared.inputs.orders.get(strip.id)
    if order is not None and decision.rule_id == ORDER_STANDS:
        rolling = order.job(Task.ROLL)
        if rolling is not None and rolling.end_utc > prepared.inputs.now_utc:
            water = order.job(Task.WATER)
            yield Option(
                day_n=0,
                start_h=epoch_h(rolling.start_utc),
                end_h=epoch_h(rolling.end_utc),
                chance=rolling.chance,
                litres=0.0 if water is None else water.litres,
                is_after_test=rolling.is_after_test,
                is_standing=True,
            )
        return
    if is_testable(prepared, decision):
        yield from _after_test(prepared, s, step_h)
    elif decision.verdict != Verdict.WAIT and decision.from_utc is not None and decision.until_utc is not None:
        yield from _as_told(prepared, s, decision, step_h)


def _as_told(prepared: Prepared, s: int, decision: Decision, step_h: float) -> Iterator[Option]:
    """Yield the starts inside the hours of the verdict, watered as its plan says."""
    assert decision.from_utc is not None
    assert decision.until_utc is not None
    plan = decision.water if decision.verdict == Verdict.WATER else None
    from_h, until_h, rolling_h = epoch_h(decision.from_utc), epoch_h(decision.until_utc), prepared.rolling_h[s]
    start_h = starts_today(prepared, from_h, until_h - rolling_h, step_h)
    if plan is None:
        chances = window_chances(prepared.cond, s, start_h, rolling_h, prepared.seal_h).tolist()
        for begins_h, chance in zip(start_h.tolist(), chances, strict=True):
            yield Option(day_n=0, start_h=begins_h, end_h=begins_h + rolling_h, chance=chance)
        return
    at_h, done_h = epoch_h(plan.start_utc), epoch_h(plan.finish_utc)
    dose_litres_m2, first_drop_h = np.full(len(start_h), plan.litres_m2), np.full(len(start_h), at_h)
    chances = chances_watered(prepared, s, dose_litres_m2, first_drop_h, start_h).tolist()
    for begins_h, chance in zip(start_h.tolist(), chances, strict=True):
        yield Option(
            day_n=0,
            start_h=begins_h,
            end_h=begins_h + rolling_h,
            chance=chance,
            litres=plan.litres,
            at_h=at_h,
            done_h=done_h,
            is_after_test=True,
        )


def weather_chances(
    prepared: Prepared, s: int, start_h: Floats, needed_h: Floats | float, *, dry_from_h: float | None = None
) -> Floats:
    """Return the chances (N,) that hours are dry, unfrozen and calm; NaN where they are not known or the table does not
    hold them.

    dry_from_h   dry from here on, before each start: what lies open, or was tested, must not be rained on until then
    """
    cond = prepared.cond
    end_h = start_h + needed_h
    first, stop, holds = row_ends(cond, start_h, end_h)
    dry_first = first
    if dry_from_h is not None:
        dry_first, _, is_held = row_ends(cond, np.full(len(start_h), dry_from_h), end_h)
        holds = holds & is_held
    dry = shares(cond.rainless[s].fails_at[dry_first] >= stop[:, None])
    held = (cond.unfrozen.fails_at[first, s, 0] >= stop) & (cond.calm.fails_at[first, 0] >= stop)
    is_known = holds & (cond.rainless[s].unknown_at[dry_first] >= stop) & (cond.unfrozen.unknown_at[first, s] >= stop)
    is_known &= cond.calm.unknown_at[first] >= stop
    return np.where(is_known, dry * held, np.nan)


def starts_today(prepared: Prepared, first_h: float, last_h: float, step_h: float) -> Floats:
    """Return the starts between two moments: the first of them, and then every step of the day, (N,) [epoch h].

    The solver counts in these steps: a start between two of them would cost its roller the whole step before it.
    """
    if not (math.isfinite(first_h + last_h) and first_h <= last_h + SECOND_H):
        return np.zeros(0)
    day_h = prepared.today.from_h
    k = np.arange(math.floor((first_h - day_h) / step_h + SECOND_H) + 1, math.ceil((last_h - day_h) / step_h) + 2)
    on_steps = day_h + k * step_h
    return np.concatenate([[first_h], on_steps[on_steps <= last_h + SECOND_H]])


def weather_chance(prepared: Prepared, s: int, start_h: float, needed_h: float) -> float:
    """Return the chance of one start, as `weather_chances`."""
    return float(weather_chances(prepared, s, np.array([start_h]), needed_h)[0])


def _after_test(prepared: Prepared, s: int, step_h: float) -> Iterator[Option]:
    """Yield the starts after a test, where the weather holds as surely as the site asks, and it stays dry from then on.

    What rain puts on after the test is in no result. A strip that is hardly inside takes no roller from another: its
    test is asked for all the same, and it is rolled where that finds it inside.
    """
    rolling_h, needed_h = prepared.rolling_h[s], prepared.rolling_h[s] + prepared.seal_h
    if not math.isfinite(needed_h):
        return
    tested_h = test_done_h(prepared, s)
    start_h = starts_today(prepared, tested_h, prepared.today.until_h - needed_h, step_h)
    chances = window_chances(prepared.cond, s, start_h, rolling_h, prepared.seal_h)
    holds = weather_chances(prepared, s, start_h, needed_h, dry_from_h=tested_h)
    is_open = (holds >= prepared.chance_needed) & (chances >= prepared.inputs.setting("test_worth_chance"))
    for begins_h, chance in zip(start_h[is_open].tolist(), chances[is_open].tolist(), strict=True):
        yield Option(day_n=0, start_h=begins_h, end_h=begins_h + rolling_h, chance=chance, is_after_test=True)


def is_broken_up_first(inputs: MorningInputs, s: int) -> bool:
    """Whether the lift on row s goes into rework: it is disked open before it is tested, unless it is clean sand."""
    lift = inputs.lift(s)
    is_open = lift.is_rework or (lift.failed is not None and not lift.may_roll_again)
    return is_open and not inputs.material(inputs.strips[s]).is_granular


def test_done_h(prepared: Prepared, s: int) -> float:
    """Return when the test of a waiting strip is in: the crew's gauge takes its strips one after the other."""
    inputs = prepared.inputs
    strip = inputs.strips[s]
    before = sum(other.crew_id == strip.crew_id for other in inputs.strips[:s])
    at_h = max(prepared.today.from_h, rain_over_h(prepared, s)) + TEST_H * (1 + min(before, 3))
    if is_broken_up_first(inputs, s):
        at_h += BREAK_UP_H
    watered_utc = inputs.last_water_utc.get(strip.id)
    if watered_utc is not None:
        at_h = max(at_h, epoch_h(watered_utc) + inputs.soak_h(strip) + TEST_H)
    told = inputs.told_water.get(strip.id)
    if told is not None:  # the truck may be in the middle of its loads: no gauge goes there before it has soaked in
        at_h = max(at_h, told_water_over_h(prepared, strip, told) + inputs.soak_h(strip) + TEST_H)
    return at_h


def soaked_over_night(prepared: Prepared, s: int, decision: Decision, start_h: Floats) -> Floats:
    """Return the chances (N,) of starts on later days of a strip that is watered this afternoon and soaks until then.

    NaN where a strip is not watered for tomorrow, or a start comes before it has soaked.
    """
    plan = decision.water
    if decision.reason != FOR_TOMORROW or plan is None:
        return np.full(len(start_h), np.nan)
    soaked_h = epoch_h(plan.finish_utc) + prepared.inputs.soak_h(prepared.inputs.strips[s])
    litres_m2, at_h = np.full(len(start_h), plan.litres_m2), np.full(len(start_h), epoch_h(plan.start_utc))
    chances = chances_watered(prepared, s, litres_m2, at_h, start_h)
    return np.where(start_h >= soaked_h + TEST_H, chances, np.nan)


def rain_over_h(prepared: Prepared, s: int) -> float:
    """Return when the last likely rain before the strip's best stretch is over [epoch h]: a test before it says little.

    Minus infinity where none is due, or where no stretch fits.
    """
    chosen, cond = prepared.best[s], prepared.cond
    if chosen is None:
        return -math.inf
    part = rows(cond, prepared.today.from_h, max(chosen.start_h, prepared.today.from_h))
    if part is None:
        return -math.inf
    rainy = 1.0 - cond.is_rainless[part, s].mean(axis=1) > prepared.inputs.setting("rain_chance_stop")
    last = np.flatnonzero(rainy)
    over_h = float(cond.first_h + part.start + last[-1] + 1) if len(last) else -math.inf
    return over_h if over_h <= chosen.start_h else -math.inf


test_done_h.__test__ = False  # type: ignore[attr-defined]
