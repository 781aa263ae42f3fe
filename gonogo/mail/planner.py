"""The planner's mail: what moved, what needs a decision today, the order of work by half days."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import replace

from gonogo.mail.items import HalfView, PlannerView, StripRow
from gonogo.mail.morning import Morning
from gonogo.records.day_plan import Badge, Half, StripPlan, Task
from gonogo.records.shift import half_of
from gonogo.records.work_order import Change, PlannedWork, Unplanned, Work, WorkOrder
from gonogo.wording import phrases
from gonogo.wording.instruction import Instruction, is_beyond, short_name, told_at, waits_until
from gonogo.wording.order import gain, proof
from gonogo.wording.phrases import Day, Number, Phrase, phrase
from gonogo.wording.sentences import Facts, sentence, verdict_word

SUBJECT_AT_MOST = 2  # moves named in a subject; more are counted
MOVES = ("planned_start", "newly_planned", "no_longer_planned", "verdict", "window", "litres")


def planner_view(morning: Morning, rows: Sequence[StripRow]) -> PlannerView:
    """Return what the planner of some crews reads."""
    order, by_id = morning.order, {row.instruction.strip_id: row.instruction for row in rows}
    return PlannerView(
        moved_subject=_moved(morning),
        asked=tuple(_asked(morning, by_id)),
        halves=() if order is None else tuple(_halves(morning, order, by_id)),
        unplanned=()
        if order is None
        else tuple(_unplanned(morning, u, by_id.get(u.strip_id)) for u in _own(morning, order.unplanned)),
        gain=None if order is None else gain(order),
        proof=None if order is None else proof(order),
    )


# --- what moved ----------------------------------------------------------------------------------------------------


def _moved(morning: Morning) -> Phrase:
    """Return what moved, in the few words of a subject."""
    if not morning.plan.is_knowable:
        return phrase("subject.no_verdict_short")
    if morning.changes is None:
        return phrase("moved.first", n=sum(strip_plan.verdict != "wait" for strip_plan in morning.strip_plans))
    own = morning.strips
    found: dict[str, Change] = {}
    for change in morning.changes:
        if change.strip_id in own and change.what in MOVES:
            found.setdefault(change.strip_id, change)
    if not found:
        return phrase("moved.nothing")
    named = [_move(change, short_name(own[strip_id]), morning) for strip_id, change in found.items()]
    more = len(named) - SUBJECT_AT_MOST
    if more > 0:
        named = [*named[:SUBJECT_AT_MOST], phrase("moved.more", n=more)]
    return phrase("moved.these", moves=phrases.Listed(items=tuple(named)))


def _move(change: Change, name: str, morning: Morning) -> Phrase:
    verdict = verdict_word(change.after) if change.what == "verdict" else None
    if verdict is not None:
        return phrase("moved.verdict", strip=name, verdict=verdict)
    if change.what == "no_longer_planned":
        return phrase("moved.off", strip=name)
    if change.what in ("planned_start", "newly_planned") and change.after_utc is not None:
        day, _ = half_of(morning.site, change.after_utc)
        if day == morning.plan.day:
            return phrase("moved.on_today", strip=name)
        return phrase("moved.to", strip=name, day=Day(day=day, form="head"))
    return phrase("moved.today", strip=name)


# --- what needs a decision -----------------------------------------------------------------------------------------


def _asked(morning: Morning, rows: dict[str, Instruction]) -> Iterator[Phrase]:
    """Yield what somebody has to decide today, strip by strip."""
    late = {w.strip_id for w in morning.order.works if "late" in w.flags} if morning.order is not None else set()
    for strip_plan in morning.strip_plans:
        name = short_name(morning.strips[strip_plan.strip_id])
        yield from _asked_of(strip_plan, name, rows.get(strip_plan.strip_id), morning)
        if strip_plan.strip_id in late:
            yield phrase("asked.late", strip=name)


def _asked_of(strip_plan: StripPlan, name: str, of: Instruction | None, morning: Morning) -> Iterator[Phrase]:
    clock = morning.clock
    for work in strip_plan.not_recorded:
        start = replace(told_at(work, clock), is_near=False)
        if work.task == Task.WATER:
            litres = phrases.amount("litres", work.litres)
            yield phrase("asked.water", strip=name, litres=litres, start=start)
        elif work.is_of_coming(strip_plan.lift):
            lift = Number(value=float(work.lift))
            yield phrase("asked.roll_lift", strip=name, lift=lift, start=start)
        else:
            yield phrase(f"asked.{work.task}", strip=name, start=start)
    coming = strip_plan.new_lift
    if coming is not None and coming.is_assumed:
        yield phrase("asked.lift", strip=name, lift=Number(value=float(coming.lift + coming.is_rework)))
    if strip_plan.dry_back is not None and strip_plan.dry_back.is_hopeless:
        yield phrase("asked.hopeless", strip=name)
    if strip_plan.last_test is not None and not strip_plan.last_test.is_used:
        yield phrase("asked.repeat", strip=name)
    if strip_plan.why_not:
        yield phrase("asked.no_place", strip=name, why=phrase(f"no_place.{strip_plan.why_not}"))
    if strip_plan.badge == Badge.TEST and not strip_plan.not_recorded and of is not None and of.test is not None:
        by = of.test.by
        yield phrase("asked.test", strip=name) if by is None else phrase("asked.test_by", strip=name, by=by)


# --- the order of work ---------------------------------------------------------------------------------------------


def _halves(morning: Morning, order: WorkOrder, rows: dict[str, Instruction]) -> Iterator[HalfView]:
    """Yield the order of work by half days: strips, never hours; those of today stand with their strips."""
    own = morning.strips
    works = sorted(
        (w for w in order.works if w.strip_id in own and w.work == Work.ROLLING),
        key=lambda w: (w.start_utc, w.crew_id, w.strip_id),
    )
    watered = {(w.strip_id, w.lift): w for w in order.works if w.work == Work.WATERING}
    by_half = itertools.groupby(works, key=lambda w: half_of(morning.site, w.start_utc))
    for (day, half), group in by_half:
        today = day == morning.plan.day
        yield HalfView(
            title=phrase("form.day_half", day=Day(day=day), half=phrase(f"half.{Half(half)}")),
            is_today=today,
            lines=tuple(
                _work(morning, w, watered.get((w.strip_id, w.lift)), _back(morning, w, rows.get(w.strip_id)))
                for w in group
            ),
        )


def _back(morning: Morning, work: PlannedWork | Unplanned, of: Instruction | None) -> Phrase | None:
    """Return when a wet lift is likely back by disking, before its place if it has one: the order knows of none."""
    strip_plan = morning.plan.strip(work.strip_id)
    back = None if strip_plan is None or work.lift != strip_plan.lift else strip_plan.dry_back
    if back is None or back.is_hopeless or of is None or of.next is None:
        return None
    return None if of.next.is_planned else waits_until(of.next, is_drying=True)


def _work(morning: Morning, work: PlannedWork, water: PlannedWork | None, back: Phrase | None) -> Phrase:
    """Return one lift in its half day, with its chance and what comes before it.

    back   when it is likely back by disking, before that half day
    """
    day, _ = half_of(morning.site, work.start_utc)
    is_far = is_beyond(day, morning.plan.day)
    chance = phrases.chance_ahead(work.chance, is_far=is_far)
    lift = Number(value=float(work.lift))
    name = short_name(morning.strips[work.strip_id])
    named: Phrase | str = phrase("half.lift", strip=name, lift=lift) if work.lift > 1 else name
    notes: list[Phrase] = []
    if "next_lift" in work.flags:
        notes.append(phrase("half.new_lift"))
    if water is not None:
        notes.append(phrase("half.watered", litres=phrases.amount("litres", water.litres)))
    elif "water_first" in work.flags:
        notes.append(phrase("half.water_first"))
    if "test_first" in work.flags:
        notes.append(phrase("half.test_first"))
    if "late" in work.flags:
        notes.append(phrase("half.late"))
    if day != morning.plan.day and (is_far or "unsure" in work.flags):
        notes.append(phrase("half.if_dry"))
    if back is not None:
        notes.append(phrase("half.disked", back=back))
    if not notes:
        return phrase("half.line", strip=named, chance=chance)
    return phrase("half.line_notes", strip=named, chance=chance, notes=phrases.Listed(items=tuple(notes)))


def _own(morning: Morning, lifts: Sequence[Unplanned]) -> list[Unplanned]:
    own = morning.strips
    return [lift for lift in lifts if lift.strip_id in own]


def _unplanned(morning: Morning, lift: Unplanned, of: Instruction | None) -> Phrase:
    is_far = lift.at_utc is not None and is_beyond(half_of(morning.site, lift.at_utc)[0], morning.plan.day)
    share = phrases.chance_ahead(lift.chance, is_far=is_far).pct / 100.0
    facts = Facts(numbers={"chance": share}, moments={"at_utc": lift.at_utc})
    why = sentence("unplanned", lift.reason, facts, morning.clock)
    back = _back(morning, lift, of)
    if back is not None:
        return phrase("order.unplanned_disked", strip=short_name(morning.strips[lift.strip_id]), why=why, back=back)
    key = "order.unplanned_lift" if lift.lift > 1 else "order.unplanned"
    return phrase(key, strip=short_name(morning.strips[lift.strip_id]), lift=Number(value=float(lift.lift)), why=why)
