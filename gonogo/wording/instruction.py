"""What the day plan has done on one strip, in the numbers that every view shows: rounded here, and nowhere else."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date

from gonogo.records.day_plan import Badge, DayPlan, Half, Job, NextTry, NotRecorded, StripPlan, Task, TestFirst, Then
from gonogo.records.site import Strip
from gonogo.records.verdict import Verdict
from gonogo.wording import phrases
from gonogo.wording.clock import Clock
from gonogo.wording.phrases import Amount, Chance, Day, Moment, Number, Phrase, Span, phrase

SURE_DAYS = 3  # a day farther ahead is less sure: its chance is told in steps of 5, and its work "if it dries"


@dataclass(frozen=True, slots=True, kw_only=True)
class TestView:
    """A test that decides, with what each result means. low, high: its limits; per_point: water for each point below.

    again_from, again_to, mean_low, mean_high   what is tested twice, and limits of the mean; None where one decides
    damp_from, damp   from which result to `low` the strip is rolled with so much water on its top; None = not
    air_to, air_roll  up to which result above `high` the strip is disked, aired and rolled from then on; None = not

    inside, below, above, is_mixed_in, is_tested_after_water, if_done   as in TestFirst
    """

    __test__ = False  # the name begins as pytest's classes do

    why: str
    by: Moment | None
    low: Number
    high: Number
    mean_low: Number | None
    mean_high: Number | None
    again_from: Number | None
    again_to: Number | None
    damp_from: Number | None
    damp: Amount | None
    air_to: Number | None
    air_roll: Moment | None
    inside: Then
    below: Then
    above: Then
    target: Number
    per_point: Amount | None
    is_mixed_in: bool
    is_tested_after_water: bool
    disk: tuple[Moment, ...]
    again: Moment | None
    again_late: Moment | None
    up_to: Number | None
    late_to: Number | None
    if_done: Then | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TryView:
    """When a strip is tried next. chance: None where unknown; is_if_dry: too far or too unlikely to be a promise."""

    day: Day
    is_today: bool
    half: Half
    chance: Chance | None
    after: str
    is_planned: bool
    is_if_dry: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Instruction:
    """One strip today.

    short      its id where the name holds it, else the name: for a headline and the bar of hours
    Work whose hours are over is no instruction any more: whether it was done is asked (StripPlan.not_recorded).

    roll       from first to last pass; roll_by: the last pass at the latest
    water      from first to last drop, also where it only damps the surface (is_damp); water_by: at the latest
    is_mixed   it is mixed into the whole lift; else it only soaks into a dry top
    test       that decides today, of the lift that lies there or that is spread this morning
    """

    strip_id: str
    crew_id: str
    name: str
    short: str
    badge: Badge
    verdict: Verdict
    rank: int
    roll: Span | None
    roll_by: Moment | None
    passes: Number
    is_after_test: bool
    chance: Chance | None
    water: Span | None
    water_by: Moment | None
    litres: Amount | None
    is_damp: bool
    is_mixed: bool
    test: TestView | None
    next: TryView | None


def instructions(plan: DayPlan, own: dict[str, Strip], clock: Clock, chance_needed: float) -> tuple[Instruction, ...]:
    """Return the instructions of the strips in `own`, in working order.

    chance_needed   the chance that the site asks for, NaN where it is not known
    """
    return tuple(
        instruction(plan, strip_plan, own[strip_plan.strip_id], clock, chance_needed)
        for strip_plan in plan.strips
        if strip_plan.strip_id in own
    )


def instruction(plan: DayPlan, strip_plan: StripPlan, strip: Strip, clock: Clock, chance_needed: float) -> Instruction:
    """Return what a strip is strip_plan today."""
    jobs = {job.task: job for job in plan.jobs_of(strip.id) if job.end_utc > plan.made_utc}
    tasks = {job.task for job in plan.jobs_of(strip.id)}  # how water is worked in stays so once that is over
    roll, water = jobs.get(Task.ROLL), jobs.get(Task.WATER) or jobs.get(Task.DAMP)
    test = strip_plan.test
    if test is None and strip_plan.new_lift is not None:
        test = strip_plan.new_lift.test
    return Instruction(
        strip_id=strip.id,
        crew_id=strip.crew_id,
        name=strip.name,
        short=short_name(strip),
        badge=strip_plan.badge,
        verdict=strip_plan.verdict,
        rank=strip_plan.rank,
        roll=None if roll is None else _brief(clock.span(roll.start_utc, roll.end_utc)),
        roll_by=_roll_by(strip_plan, roll, clock),
        passes=Number(value=float(roll.passes if roll is not None else 0)),
        is_after_test=roll is not None and roll.is_after_test,
        chance=None if roll is None or math.isnan(roll.chance) else phrases.chance(roll.chance),
        water=None
        if water is None
        else Span(start=clock.at(water.start_utc), end=clock.at(water.end_utc, "later"), is_brief=True),
        water_by=None if strip_plan.water_by_utc is None else clock.at(strip_plan.water_by_utc, "earlier"),
        litres=None if water is None else phrases.amount("litres", water.litres),
        is_damp=water is not None and water.task == Task.DAMP,
        is_mixed=Task.MIX in tasks or Task.SOAK not in tasks,
        test=None if test is None else _test(test, clock),
        next=None if strip_plan.next is None else next_try(strip_plan.next, clock.day, chance_needed),
    )


def told_at(work: NotRecorded, clock: Clock) -> Moment:
    """Return the hour of told work as the mail that told it had it: rolling begins no earlier than it may."""
    return clock.near(work.start_utc, "later" if work.task == Task.ROLL else "nearest")


def _brief(span: Span | None) -> Span | None:
    return None if span is None else replace(span, is_brief=True)


def short_name(strip: Strip) -> str:
    """Return the id of a strip where its name begins with it, as crews call it; else its whole name."""
    return strip.id if strip.name.casefold().split()[:1] == [strip.id.casefold()] else strip.name


def next_try(found: NextTry, today: date, chance_needed: float) -> TryView:
    """Return when a strip is tried next, as a reader sees it."""
    is_far = is_beyond(found.day, today)
    chance = None if math.isnan(found.chance) else phrases.chance_ahead(found.chance, is_far=is_far)
    return TryView(
        day=Day(day=found.day, form="head"),
        is_today=found.day == today,
        half=found.half,
        chance=chance,
        after=found.after,
        is_planned=found.is_planned,
        is_if_dry=is_far or found.chance < chance_needed,
    )


def is_beyond(day: date, today: date) -> bool:
    """Return whether a day lies beyond what the forecast is sure of."""
    return (day - today).days > SURE_DAYS


def try_phrase(found: TryView) -> Phrase:
    """Return day and half of the next try: "Mon 18 morning"."""
    return phrase("form.day_half", day=found.day, half=phrase(f"half.{found.half}"))


def waits_until(found: TryView, *, is_drying: bool) -> Phrase:
    """Return until when a strip waits, to the half of a day. is_drying: it is disked until then."""
    if found.is_today:
        return phrase("row.likely_back_today") if is_drying else phrase("row.until_today")
    until = try_phrase(found)
    return phrase("row.likely_back", next=until) if is_drying else phrase("row.until", next=until)


def pct(value: float) -> Number:
    """Return a water content as the bare number of a range."""
    shown = phrases.amount("w_pct", value).metric
    return Number(value=shown[0], decimals=shown[1])


def _roll_by(strip_plan: StripPlan, roll: Job | None, clock: Clock) -> Moment | None:
    by_utc = strip_plan.roll_by_utc
    if by_utc is None and strip_plan.new_lift is not None:
        by_utc = strip_plan.new_lift.roll_by_utc
    if by_utc is None and roll is not None:
        by_utc = roll.latest_utc
    return None if by_utc is None else clock.at(by_utc, "earlier")


def _test(test: TestFirst, clock: Clock) -> TestView:
    known = math.isfinite(test.litres_per_pct)
    return TestView(
        why=test.why,
        by=None if test.by_utc is None else clock.at(test.by_utc, "earlier"),
        low=pct(test.low_pct),
        high=pct(test.high_pct),
        mean_low=None if math.isnan(test.mean_low_pct) else pct(test.mean_low_pct),
        mean_high=None if math.isnan(test.mean_high_pct) else pct(test.mean_high_pct),
        again_from=None if math.isnan(test.again_from_pct) else pct(test.again_from_pct),
        again_to=None if math.isnan(test.again_to_pct) else pct(test.again_to_pct),
        damp_from=None if math.isnan(test.damp_from_pct) else pct(test.damp_from_pct),
        damp=None if math.isnan(test.damp_litres) else phrases.amount("litres", test.damp_litres),
        air_to=None if math.isnan(test.air_to_pct) else pct(test.air_to_pct),
        air_roll=None if test.air_roll_utc is None else clock.at(test.air_roll_utc, "later"),
        inside=test.inside,
        below=test.below,
        above=test.above,
        target=pct(test.target_pct),
        per_point=phrases.amount("litres", test.litres_per_pct) if known else None,
        is_mixed_in=test.is_mixed_in,
        is_tested_after_water=test.is_tested_after_water,
        disk=tuple(clock.at(at_utc) for at_utc in test.disk_utc),
        again=None if test.again_utc is None else clock.at(test.again_utc, "later"),
        again_late=None if test.again_late_utc is None else clock.at(test.again_late_utc, "later"),
        up_to=None if math.isnan(test.again_up_to_pct) else pct(test.again_up_to_pct),
        late_to=None if math.isnan(test.late_up_to_pct) else pct(test.late_up_to_pct),
        if_done=test.if_done,
    )
