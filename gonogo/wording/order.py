"""The proposed order of work as sentences with typed gaps."""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Mapping
from datetime import date

from gonogo import times
from gonogo.records.shift import half_of
from gonogo.records.site import Strip
from gonogo.records.work_order import PlannedWork, Unplanned, Work, WorkOrder
from gonogo.wording import phrases
from gonogo.wording.clock import Clock
from gonogo.wording.instruction import is_beyond
from gonogo.wording.items import OrderDayView, OrderView, WorkView
from gonogo.wording.phrases import Day, Gap, Number, Phrase, Span, phrase
from gonogo.wording.sentences import Facts, sentence

SILENT_FLAGS = frozenset(("today",))  # said by the day already
_OWN = (Work.WATERING, "water_first")  # the watering need not say that it comes first


def order_view(order: WorkOrder, crew_ids: Collection[str], own: Mapping[str, Strip], clock: Clock) -> OrderView:
    """Return the order of work of some crews by day, and the lifts that have no place in it.

    own   the strips of these crews, by id
    """
    works = [w for w in order.works if w.crew_id in crew_ids and (w.strip_id in own or w.work == Work.SEALING)]
    works.sort(key=lambda w: (w.start_utc, w.end_utc, w.strip_id, w.lift))
    by_day = itertools.groupby(works, key=lambda w: times.local_date(w.start_utc, clock.site.zone))
    days = tuple(
        OrderDayView(
            day=Day(day=day),
            is_today=day == clock.day,
            works=tuple(_work(w, own, Clock(site=clock.site, day=day), clock.day) for w in of_day),
        )
        for day, of_day in by_day
    )
    return OrderView(
        days=days,
        today=next((d.works for d in days if d.is_today), ()),
        unplanned=tuple(_unplanned(u, own[u.strip_id], clock) for u in order.unplanned if u.strip_id in own),
        gain=gain(order),
        proof=proof(order),
    )


def work_span(work: PlannedWork, clock: Clock) -> Span:
    """Return from when to when a piece of work is planned, rounded as the driver's sheet and the windows are."""
    if work.work == Work.WATERING:
        return Span(start=clock.at(work.start_utc), end=clock.at(work.end_utc, "later"))
    span = clock.span(work.start_utc, work.end_utc)
    assert span is not None, "a planned work has both ends"
    return span


def work_phrase(work: PlannedWork, name: str, table: str, *, is_far: bool = False, **gaps: Gap) -> Phrase:
    """Return the sentence of a table for a kind of work; a lift that is still to come is named."""
    lift = "_lift" if work.lift > 1 and work.work != Work.SEALING else ""
    return phrase(
        f"{table}.{work.work}{lift}",
        strip=name,
        lift=Number(value=work.lift),
        litres=phrases.amount("litres", work.litres),
        chance=phrases.chance_ahead(work.chance, is_far=is_far),
        **gaps,
    )


def gain(order: WorkOrder) -> Phrase:
    """Return what the order is worth; where the strips as listed come to more, what it puts before area."""
    expected = phrases.amount("area_m2", order.expected_area_m2)
    given = phrases.amount("area_m2", order.given_order_area_m2)
    is_less = order.given_order_area_m2 > order.expected_area_m2 and given != expected
    return phrase("order.gain_less" if is_less else "order.gain", expected=expected, given=given)


def proof(order: WorkOrder) -> Phrase:
    """Return how good the order is proven to be."""
    gap_pct = phrases.amount("w_pct", 100.0 * order.gap_frac)
    if order.method == "given_order":
        return phrase("order.given_order")
    if gap_pct.metric[0] == 0.0:
        return phrase("order.optimal")
    return phrase("order.gap", gap=gap_pct) if math.isfinite(order.gap_frac) else phrase("order.unproven")


def _work(work: PlannedWork, own: Mapping[str, Strip], clock: Clock, today: date) -> WorkView:
    """Return a piece of work with its hours; on a day ahead, with the half of the day."""
    name = own[work.strip_id].name if work.strip_id in own else ""
    facts = Facts(numbers={"chance": work.chance, "lift": work.lift})
    flags = [f for f in work.flags if f not in SILENT_FLAGS and (work.work, f) != _OWN]
    notes = [sentence("plan_flag", flag, facts, clock) for flag in flags]
    span: Gap = work_span(work, clock)
    if clock.day != today:
        span = phrase(f"half.{half_of(clock.site, work.start_utc)[1]}")
        if is_beyond(clock.day, today) and work.work == Work.ROLLING and "unsure" not in flags:
            notes.append(phrase("order.if_dry"))
    is_far = is_beyond(clock.day, today)
    return WorkView(
        crew=clock.site.crew(work.crew_id).name,
        line=work_phrase(work, name, "order", is_far=is_far, span=span),
        notes=tuple(notes),
    )


def _unplanned(lift: Unplanned, strip: Strip, clock: Clock) -> Phrase:
    facts = Facts(numbers={"chance": lift.chance}, moments={"at_utc": lift.at_utc})
    key = "order.unplanned_lift" if lift.lift > 1 else "order.unplanned"
    why = sentence("unplanned", lift.reason, facts, clock)
    return phrase(key, strip=strip.name, lift=Number(value=lift.lift), why=why)
