"""An order of work as records: what is rolled and watered when, what has no place, what moved since the plan before."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from gonogo import times
from gonogo.decide.inputs import MorningInputs
from gonogo.decide.order.option import Option
from gonogo.decide.order.options import LiftToDo
from gonogo.decide.order.timetable import Problem
from gonogo.decide.today import Prepared
from gonogo.decide.water.evening import FOR_TOMORROW
from gonogo.decide.windows import Working, epoch_h, moment
from gonogo.records.site import Strip
from gonogo.records.verdict import Decision, Verdict
from gonogo.records.work_order import Move, PlannedWork, Unplanned, Work, WorkOrder


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """The lifts of crews that share machines, as a problem; options[k] is the option of problem.choices[k]."""

    lifts: tuple[LiftToDo, ...]
    problem: Problem
    options: tuple[Option, ...]


def as_ordered(inputs: MorningInputs, before: WorkOrder | None) -> dict[tuple[str, int], PlannedWork]:
    """Return what the plan before says of each lift's rolling."""
    works = () if before is None else before.works
    known = {strip.id for strip in inputs.strips}
    return {(w.strip_id, w.lift): w for w in works if w.work == Work.ROLLING and w.strip_id in known}


def day_of(inputs: MorningInputs, work: PlannedWork) -> date:
    return times.local_date(work.start_utc, inputs.site.zone)


def expected_m2(inputs: MorningInputs, part: Part, k: int | None) -> float:
    """Return chance x area of a chosen option, 0 where there is none [m2]."""
    if k is None:
        return 0.0
    return part.options[k].chance * inputs.strips[part.lifts[part.problem.choices[k].job].s].area_m2


def works(
    prepared: Prepared, ahead: Sequence[Working], part: Part, options: Sequence[Option | None]
) -> list[PlannedWork]:
    """Return rolling, and the watering before it, of the lifts' options; today's watering stands in the verdicts."""
    inputs = prepared.inputs
    works: list[PlannedWork] = []
    for lift, option in zip(part.lifts, options, strict=True):
        if option is None:
            continue
        strip = inputs.strips[lift.s]
        rolling = PlannedWork(
            strip_id=strip.id,
            lift=lift.number,
            crew_id=strip.crew_id,
            work=Work.ROLLING,
            start_utc=moment(option.start_h),
            end_utc=moment(option.end_h),
            chance=option.chance,
            area_m2=strip.area_m2,
            expected_area_m2=option.chance * strip.area_m2,
            flags=_flags(prepared, lift, option, strip, ahead[option.day_n].day),
        )
        works.append(rolling)
        if option.litres > 0.0 and option.day_n > 0:
            works.append(
                replace(
                    rolling,
                    work=Work.WATERING,
                    start_utc=moment(option.at_h),
                    end_utc=moment(option.done_h),
                    chance=math.nan,
                    expected_area_m2=0.0,
                    litres=option.litres,
                )
            )
    return works


def _flags(prepared: Prepared, lift: LiftToDo, option: Option, strip: Strip, day: date) -> tuple[str, ...]:
    """Return the marks of a planned rolling: keys of PLAN_FLAGS."""
    inputs = prepared.inputs
    age_h = float(inputs.reading_age_h[lift.s]) + 24.0 * option.day_n
    is_tested = age_h <= inputs.setting("reading_max_age_h") and not _is_rained_on(prepared, lift.s, option)
    marks = {
        "today": option.day_n == 0,
        "water_first": option.litres > 0.0,
        "next_lift": not lift.is_present,
        "test_first": (option.is_after_test and not option.litres > 0.0) or (option.day_n > 0 and not is_tested),
        "unsure": not option.chance >= prepared.chance_needed,
        "late": strip.finish_by is not None and day > strip.finish_by,
    }
    return tuple(key for key, holds in marks.items() if holds)


def _is_rained_on(prepared: Prepared, s: int, option: Option) -> bool:
    """Whether heavy rain has come since the strip's test, or is expected before the option's start."""
    rained_mm = float(prepared.inputs.rained_since_reading_mm[s])
    ahead_mm = float(np.mean(prepared.rained.between(epoch_h(prepared.inputs.now_utc), option.start_h)))
    return not max(rained_mm, ahead_mm) <= prepared.inputs.setting("heavy_rain_retest_mm")


def watered_today(prepared: Prepared, decisions: Sequence[Decision], works: Sequence[PlannedWork]) -> list[PlannedWork]:
    """Return the watering that this morning's verdicts ask for."""
    inputs = prepared.inputs
    today = {w.strip_id: w for w in works if w.work == Work.ROLLING and "today" in w.flags}
    lift_of = {w.strip_id: w.lift for w in reversed(works) if w.work == Work.ROLLING}
    return [
        PlannedWork(
            strip_id=strip.id,
            lift=lift_of.get(strip.id, 1),
            crew_id=strip.crew_id,
            work=Work.WATERING,
            start_utc=decision.water.start_utc,
            end_utc=decision.water.finish_utc,
            chance=math.nan,
            area_m2=strip.area_m2,
            expected_area_m2=0.0,
            litres=decision.water.litres,
            truck_id=decision.water.truck_id,
            flags=_watering_flags(strip.id in today, decision),
        )
        for strip, decision in zip(inputs.strips, decisions, strict=True)
        if decision.water is not None and (decision.verdict == Verdict.WATER or decision.reason == FOR_TOMORROW)
    ]


def _watering_flags(is_rolled_today: bool, decision: Decision) -> tuple[str, ...]:
    if decision.reason == FOR_TOMORROW:
        return ("today", "soaks_over_night")
    return ("today",) if is_rolled_today else ("today", "roller_full_today")


def sealing(prepared: Prepared, ahead: Sequence[Working], works: Sequence[PlannedWork]) -> list[PlannedWork]:
    """Return the sealing at the end of each shift in which a crew rolls or waters."""
    inputs = prepared.inputs
    busy = {(w.crew_id, day_of(inputs, w)) for w in works}
    return [
        PlannedWork(
            strip_id="",
            lift=0,
            crew_id=crew.id,
            work=Work.SEALING,
            start_utc=moment(hours.until_h - prepared.seal_h),
            end_utc=moment(hours.until_h),
            chance=math.nan,
            area_m2=0.0,
            expected_area_m2=0.0,
        )
        for crew in inputs.site.crews
        for hours in ahead
        if (crew.id, hours.day) in busy
    ]


def unplanned(inputs: MorningInputs, part: Part, options: Sequence[Option | None]) -> list[Unplanned]:
    """Return the lifts without a place and why."""
    found: list[Unplanned] = []
    lower_of = {upper: lower for lower, upper in part.problem.after}
    gap_h = inputs.setting("next_lift_after_h")
    for job, (lift, option) in enumerate(zip(part.lifts, options, strict=True)):
        if option is not None:
            continue
        below = lower_of.get(job)
        reason = lift.reason or "roller_full"
        if below is not None and not lift.reason:
            under = options[below]
            if under is None or under.end_h + gap_h > max((o.start_h for o in lift.options), default=-math.inf):
                reason = "lift_below"
        found.append(
            Unplanned(
                strip_id=inputs.strips[lift.s].id,
                lift=lift.number,
                reason=reason,
                chance=math.nan if lift.best is None else lift.best.chance,
                at_utc=None if lift.best is None else moment(lift.best.start_h),
            )
        )
    return found


def moves(
    inputs: MorningInputs,
    ordered: Mapping[tuple[str, int], PlannedWork],
    works: Sequence[PlannedWork],
    lifts: Sequence[LiftToDo],
) -> tuple[Move, ...]:
    """Return the lifts whose day differs from that of the plan before; what has been done since is not a move."""
    now = {(w.strip_id, w.lift): w for w in works if w.work == Work.ROLLING}
    open_ = {(inputs.strips[lift.s].id, lift.number) for lift in lifts}
    moves = []
    for key, old in ordered.items():
        new = now.get(key)
        if key in open_ and (new is None or day_of(inputs, new) != day_of(inputs, old)):
            after = None if new is None else new.start_utc
            moves.append(Move(strip_id=key[0], lift=key[1], before_utc=old.start_utc, after_utc=after))
    return tuple(moves)
