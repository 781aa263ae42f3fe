"""One strip on the first screen: its badge, by when, and the few short lines that a superintendent acts by."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import datetime

from gonogo.decide.plan_keys import RESULT_IN, SHORT
from gonogo.mail.branches import branches
from gonogo.mail.items import StripRow
from gonogo.records.day_plan import Badge, DryBack, LastTest, NewLift, StripPlan, Task, Then
from gonogo.wording import phrases
from gonogo.wording.clock import Clock
from gonogo.wording.instruction import Instruction, TestView, pct, told_at, try_phrase, waits_until
from gonogo.wording.phrases import Gap, Names, Number, Phrase, phrase
from gonogo.wording.strips import SPLIT_POINTS

METHODS = ("oven", "nuclear gauge", "microwave", "carbide", "hand feel")  # of soil/readings.py: have a name here


def strip_row(
    strip_plan: StripPlan,
    instruction: Instruction,
    clock: Clock,
    *,
    reason: Phrase,
    is_knowable: bool,
    first: Sequence[Phrase] = (),
) -> StripRow:
    """Return one strip of the first screen.

    reason   the sentence of its verdict; is_knowable: there is a verdict
    first    what has to be done before all else: work that its machines' hours do not hold
    """
    test = _deciding_test(strip_plan, instruction)
    return StripRow(
        instruction=instruction,
        badge=phrase(f"badge.{instruction.badge}"),
        when=_when(strip_plan, instruction, is_knowable=is_knowable),
        lines=(*first, *_lines(strip_plan, instruction, clock, reason=reason, is_knowable=is_knowable)),
        branches=() if test is None else tuple(branches(instruction, test)),
    )


def _deciding_test(strip_plan: StripPlan, of: Instruction) -> TestView | None:
    """Return the test whose result decides what is done with the strip today, None where no test does."""
    if of.badge in (Badge.COMPACT, Badge.WATER_FIRST):
        return None
    coming = strip_plan.new_lift
    if coming is not None and not coming.is_if_rolled:
        return of.test if coming.is_assumed or not coming.stop else None
    return of.test if of.badge == Badge.TEST else None


def _when(strip_plan: StripPlan, of: Instruction, *, is_knowable: bool) -> Phrase | None:
    """Return what stands beside the name: by when, or until when it waits."""
    if of.badge == Badge.COMPACT and of.roll_by is not None:
        return phrase("row.by", by=of.roll_by)
    if of.badge == Badge.WATER_FIRST and of.water_by is not None:
        return phrase("row.by", by=of.water_by)
    if of.badge == Badge.TEST and of.test is not None and of.test.by is not None:
        return phrase("row.by", by=of.test.by)
    if of.badge != Badge.WAIT or not is_knowable:
        return None
    if of.next is not None:
        return waits_until(of.next, is_drying=strip_plan.dry_back is not None)
    return None if strip_plan.dry_back is not None and strip_plan.dry_back.is_hopeless else phrase("row.until_unknown")


def _lines(
    strip_plan: StripPlan, of: Instruction, clock: Clock, *, reason: Phrase, is_knowable: bool
) -> Iterator[Phrase]:
    if of.badge == Badge.COMPACT:
        yield from _compact(strip_plan, of)
    elif of.badge == Badge.WATER_FIRST:
        yield from _water(strip_plan, of)
    elif strip_plan.new_lift is not None and not strip_plan.new_lift.is_if_rolled:
        yield from (*_new_lift(strip_plan.new_lift, of), *_water_overnight(of))
    elif of.badge == Badge.TEST and of.test is not None:
        is_told = of.test.why == "work_not_recorded" and strip_plan.not_recorded  # below, with its hour and litres
        if is_knowable and not is_told:  # what is not knowable stands above all strips, once
            yield phrase("row.likely_wet") if of.test.why == "too_wet" else _because(of.test.why, reason)
    else:
        yield from _wait(strip_plan, of, reason, clock)
    yield from _unrecorded(strip_plan, clock)
    test, coming = _deciding_test(strip_plan, of), strip_plan.new_lift
    if coming is not None and coming.is_if_rolled and coming.test is not None:
        yield phrase("row.if_rolled", lift=Number(value=float(coming.lift)))
    elif test is not None and test.if_done == Then.RECORD:
        yield phrase("row.if_done")
    if coming is None or coming.is_assumed or coming.is_if_rolled:
        yield from _last_test(strip_plan.last_test, clock)


def _compact(strip_plan: StripPlan, of: Instruction) -> Iterator[Phrase]:
    if of.roll is not None:
        yield phrase("row.roll", span=of.roll, n=of.passes)
    elif not any(work.task == Task.ROLL for work in strip_plan.not_recorded):
        yield phrase(f"no_place.{strip_plan.why_not}") if strip_plan.why_not else phrase("row.no_hours")
        if of.next is not None:
            yield phrase("row.next", next=try_phrase(of.next))
    if of.water is not None and of.litres is not None:
        yield phrase("row.damp", litres=of.litres, start=of.water.start)
    yield from _number(strip_plan, "row.number")


def _water(strip_plan: StripPlan, of: Instruction) -> Iterator[Phrase]:
    then_roll = "row.then_roll" if of.is_mixed else "row.soak_roll"
    if of.water is not None and of.litres is not None:
        yield phrase("row.water", litres=of.litres, span=of.water)
    if of.test is not None and of.roll is not None:
        yield phrase(then_roll, span=of.roll, low=of.test.low, high=of.test.high)
    elif of.test is not None and of.roll_by is not None:  # its hours are over, and nobody knows whether it was rolled
        yield phrase("row.if_not_rolled", by=of.roll_by, low=of.test.low, high=of.test.high)
    yield from _number(strip_plan, "row.number_short")


def _because(key: str, reason: Phrase) -> Phrase:
    """Return why in a few words, where the key has some, else in the sentence of the verdict."""
    return phrase("row.because", why=phrase(f"short.{key}")) if key in SHORT else reason


def _new_lift(coming: NewLift, of: Instruction) -> Iterator[Phrase]:
    lift = Number(value=float(coming.lift))
    if coming.is_assumed:
        if coming.is_rework:
            yield phrase("row.rework_asked", lift=lift, next=Number(value=coming.lift + 1.0))
        else:
            yield phrase("row.lift_asked", lift=lift)
    elif coming.stop:
        yield phrase("row.no_spreading", lift=lift, why=phrase(f"spread_stop.{coming.stop}"))
    elif of.test is not None:
        thickness = phrases.amount("thickness_m", coming.thickness_m)
        yield phrase("row.spread", lift=lift, thickness=thickness, w=phrases.amount("w_pct", coming.w_pct))
        if of.roll_by is not None:
            yield phrase("row.roll_by", by=of.roll_by)


def _wait(strip_plan: StripPlan, of: Instruction, reason: Phrase, clock: Clock) -> Iterator[Phrase]:
    yield _because(strip_plan.reason, reason)
    yield from _water_overnight(of)
    if strip_plan.dry_back is not None:
        yield from _way_back(strip_plan.dry_back, clock)
    elif of.next is not None and of.next.after == "water":
        yield phrase("row.next_watered")
    yield from _off_window(strip_plan)


def _water_overnight(of: Instruction) -> Iterator[Phrase]:
    """Yield the water that a waiting lift is given today for another day."""
    if of.water is not None and of.litres is not None:
        yield phrase("row.water", litres=of.litres, span=of.water)


def _way_back(back: DryBack, clock: Clock) -> Iterator[Phrase]:
    today = [at_utc for at_utc in back.disk_utc if not clock.at(at_utc).is_other_day]
    if back.is_hopeless:
        yield phrase("row.hopeless")
        return
    if today:
        yield phrase("row.disk", at=_moments(today, clock))
    if back.ready is not None and not math.isnan(back.low_pct):
        tests = [back.ready.at_utc, *([] if back.again_late_utc is None else [back.again_late_utc])]
        yield phrase("row.disk_test", at=_moments(tests, clock), low=pct(back.low_pct), high=pct(back.high_pct))


def _moments(moments_utc: Sequence[datetime], clock: Clock) -> Names:
    return Names(items=tuple(phrase("form.moment", at=clock.at(at_utc)) for at_utc in moments_utc))


def _number(strip_plan: StripPlan, key: str) -> Iterator[Phrase]:
    """Yield the water content; a lift that nobody tested shows no hard figure."""
    low, high = pct(strip_plan.low_pct), pct(strip_plan.high_pct)
    if not strip_plan.is_tested or math.isnan(strip_plan.w_now_pct):
        yield phrase("row.untested", low=low, high=high)
        return
    yield phrase(key, now=phrases.amount("w_pct", strip_plan.w_now_pct), low=low, high=high)
    top, base = pct(strip_plan.w_top_pct), pct(strip_plan.w_base_pct)
    lower, upper = sorted((top.value, base.value))
    is_inside = low.value <= lower and upper <= high.value
    if key == "row.number" and upper - lower >= SPLIT_POINTS and not is_inside:
        yield phrase("row.halves", top=top, base=base)


def _off_window(strip_plan: StripPlan) -> Iterator[Phrase]:
    """Yield how far a waiting lift lies outside its window, in shown numbers."""
    if not strip_plan.is_tested or math.isnan(strip_plan.w_now_pct):
        return
    now, low, high = pct(strip_plan.w_now_pct), pct(strip_plan.low_pct), pct(strip_plan.high_pct)
    shown = phrases.amount("w_pct", strip_plan.w_now_pct)
    if now.value > high.value:
        yield phrase("row.over", now=shown, points=Number(value=round(now.value - high.value, 1), decimals=1))
    elif now.value < low.value:
        yield phrase("row.under", now=shown, points=Number(value=round(low.value - now.value, 1), decimals=1))
    else:
        yield phrase("row.number", now=shown, low=low, high=high)


def _unrecorded(strip_plan: StripPlan, clock: Clock) -> Iterator[Phrase]:
    for work in strip_plan.not_recorded:
        at = told_at(work, clock)
        if work.task == Task.WATER:
            yield phrase("row.told_water", litres=phrases.amount("litres", work.litres), start=at)
        elif work.is_of_coming(strip_plan.lift):
            yield phrase("row.told_roll_lift", lift=Number(value=float(work.lift)), start=at)
        else:
            yield phrase(f"row.told_{work.task}", start=at)


def _last_test(last: LastTest | None, clock: Clock) -> Iterator[Phrase]:
    if last is None:
        return
    method = phrase(f"method.{last.method.replace(' ', '_')}") if last.method in METHODS else last.method
    said: dict[str, Gap] = {"method": method, "w": pct(last.w_pct), "at": clock.near(last.at_utc)}
    if not last.is_used and math.isfinite(last.expected_low_pct):
        yield phrase("row.last_test_far", low=pct(last.expected_low_pct), high=pct(last.expected_high_pct), **said)
    elif not last.is_used:
        yield phrase("row.last_test_refused", **said)
    elif last.litres_since > 0.0:
        yield phrase("row.last_test_watered", litres=phrases.amount("litres", last.litres_since), **said)
    else:
        yield phrase("row.last_test", **said)


def reason_behind(reason: Phrase, strip_plan: StripPlan) -> tuple[Phrase, ...]:
    """Return why a strip has its verdict and how sure that is, for the part behind the first screen."""
    inside, dry, wet = strip_plan.chance_in_window, strip_plan.chance_too_dry, strip_plan.chance_too_wet
    if strip_plan.test is not None and strip_plan.test.why == RESULT_IN:  # no "test first", and no chance beside it
        return (_because(RESULT_IN, reason),)
    coming = strip_plan.new_lift
    if coming is not None and not coming.is_if_rolled:  # the chances are those of the lift below it
        return (reason,)
    if math.isnan(inside + dry + wet) or inside + dry + wet == 0 or strip_plan.badge not in (Badge.COMPACT, Badge.TEST):
        return (reason,)
    chances = {"dry": phrases.chance(dry), "wet": phrases.chance(wet)}
    if strip_plan.badge == Badge.COMPACT:  # whose reason names the chance that it is inside
        return reason, phrase("text.sure_else", **chances)
    return reason, phrase("text.sure", inside=phrases.chance(inside), **chances)
