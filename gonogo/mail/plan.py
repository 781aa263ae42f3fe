"""The proposed order of work, and what is another than last time and why, as sentences with typed gaps."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from gonogo import times
from gonogo.decide.keys import CAUSES, CHANGES, PLAN_FLAGS, UNPLANNED, Key
from gonogo.mail import phrases
from gonogo.mail.items import ChangeView, OrderDayView, OrderView, WorkView
from gonogo.mail.lifts import Clock
from gonogo.mail.phrases import Day, Gap, Number, Phrase, Span, phrase
from gonogo.records.site import Crew, Strip
from gonogo.records.verdict import Verdict
from gonogo.records.work_order import Change, PlannedWork, Unplanned, Why, Work, WorkOrder

VOCABULARY: dict[str, dict[str, Key]] = {
    "plan_flag": PLAN_FLAGS,
    "unplanned": UNPLANNED,
    "changed": CHANGES,
    "cause": CAUSES,
}
SILENT_FLAGS = frozenset(("today", "next_lift"))  # said by the day and by the name of the lift already
_OWN = (Work.WATERING, "water_first")  # the watering need not say that it comes first
VERDICTS = frozenset(v.value for v in Verdict)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """A row of the vocabulary with what fills its gaps."""

    numbers: Mapping[str, float]
    moments: Mapping[str, datetime | None]
    words: Mapping[str, str]


def order_view(order: WorkOrder, crew: Crew, own: Mapping[str, Strip], clock: Clock) -> OrderView:
    """Return the order of work of a crew by day, and the lifts that have no place in it."""
    works = [w for w in order.works if w.crew_id == crew.id and (w.strip_id in own or w.work == Work.SEALING)]
    works.sort(key=lambda w: (w.start_utc, w.end_utc, w.strip_id, w.lift))
    by_day = itertools.groupby(works, key=lambda w: times.local_date(w.start_utc, clock.site.zone))
    days = tuple(
        OrderDayView(
            day=Day(day=day),
            is_today=day == clock.day,
            works=tuple(_work(w, own, Clock(site=clock.site, day=day)) for w in of_day),
        )
        for day, of_day in by_day
    )
    gap_pct = phrases.amount("w_pct", 100.0 * order.gap_frac)
    is_optimal = gap_pct.metric[0] == 0.0
    return OrderView(
        days=days,
        today=next((d.works for d in days if d.is_today), ()),
        unplanned=tuple(_unplanned(u, own[u.strip_id], clock) for u in order.unplanned if u.strip_id in own),
        gain=phrase(
            "order.gain",
            expected=phrases.amount("area_m2", order.expected_area_m2),
            given=phrases.amount("area_m2", order.given_order_area_m2),
        ),
        proof=phrase("order.given_order")
        if order.method == "given_order"
        else phrase("order.optimal")
        if is_optimal
        else phrase("order.gap", gap=gap_pct)
        if math.isfinite(order.gap_frac)
        else phrase("order.unproven"),
    )


def changes_view(changes: Sequence[Change], own: Mapping[str, Strip], clock: Clock) -> tuple[ChangeView, ...]:
    """Return what changed for a crew's strips and for the whole site; changes of one cause give it once."""
    own_changes = (c for c in changes if not c.strip_id or c.strip_id in own)
    groups = itertools.groupby(own_changes, key=lambda c: (c.strip_id, c.why))
    return tuple(_changes_of_a_strip(tuple(group), own, clock) for _, group in groups)


def work_span(work: PlannedWork, clock: Clock) -> Span:
    """Return from when to when a piece of work is planned, rounded as the driver's sheet and the windows are."""
    if work.work == Work.WATERING:
        return Span(start=clock.at(work.start_utc), end=clock.at(work.end_utc, "later"))
    span = clock.span(work.start_utc, work.end_utc)
    assert span is not None, "a planned work has both ends"
    return span


def work_phrase(work: PlannedWork, name: str, table: str, **gaps: Gap) -> Phrase:
    """Return the sentence of a table for a kind of work; a lift that is still to come is named."""
    lift = "_lift" if work.lift > 1 and work.work != Work.SEALING else ""
    return phrase(
        f"{table}.{work.work}{lift}",
        strip=name,
        lift=Number(value=work.lift),
        litres=phrases.amount("litres", work.litres),
        chance=phrases.chance(work.chance),
        **gaps,
    )


def _work(work: PlannedWork, own: Mapping[str, Strip], clock: Clock) -> WorkView:
    name = own[work.strip_id].name if work.strip_id in own else ""
    span = work_span(work, clock)
    row = _Row(numbers={"chance": work.chance, "lift": work.lift}, moments={}, words={})
    return WorkView(
        line=work_phrase(work, name, "order", span=span),
        notes=tuple(
            _said("plan_flag", f, row, clock) for f in work.flags if f not in SILENT_FLAGS and (work.work, f) != _OWN
        ),
    )


def _unplanned(one: Unplanned, strip: Strip, clock: Clock) -> Phrase:
    why = _said(
        "unplanned", one.reason, _Row(numbers={"chance": one.chance}, moments={"at_utc": one.at_utc}, words={}), clock
    )
    key = "order.unplanned_lift" if one.lift > 1 else "order.unplanned"
    return phrase(key, strip=strip.name, lift=Number(value=one.lift), why=why)


def _changes_of_a_strip(changes: Sequence[Change], own: Mapping[str, Strip], clock: Clock) -> ChangeView:
    """Return changes of one strip with the same causes; a lift that is still to come is named."""
    first, *others = changes
    lift, what = first.numbers.get("lift", 1.0), _what(first, clock)
    if first.strip_id:
        key = "change.strip_lift" if lift > 1 else "change.strip"
        what = phrase(key, strip=own[first.strip_id].name, lift=Number(value=lift), what=what)
    more = tuple(
        phrase("change.lift", lift=Number(value=c.numbers["lift"]), what=_what(c, clock))
        if c.numbers.get("lift", 1.0) > 1
        else _what(c, clock)
        for c in others
    )
    return ChangeView(what=what, more=more, why=tuple(_cause(why, clock) for why in first.why))


def _what(change: Change, clock: Clock) -> Phrase:
    row = _Row(
        numbers=change.numbers,
        moments={"before_utc": change.before_utc, "after_utc": change.after_utc},
        words={"before": change.before, "after": change.after},
    )
    what = _said("changed", change.what, row, clock)
    if change.what == "rain" and change.after_utc is not None:
        day = times.local_date(change.after_utc, clock.site.zone)
        return Phrase(key=what.key, gaps={**what.gaps, "after_utc": Day(day=day)})
    return what


def _cause(why: Why, clock: Clock) -> Phrase:
    return _said("cause", why.key, _Row(numbers=why.numbers, moments={"at_utc": why.at_utc}, words={}), clock)


def _said(table: str, key: str, row: _Row, clock: Clock) -> Phrase:
    """Return a row of the vocabulary with every gap that its sentence may name."""
    gaps: dict[str, Gap] = {}
    for name in VOCABULARY[table][key].gaps:
        if name.endswith("_utc"):
            at_utc = row.moments.get(name)
            gaps[name] = clock.at(at_utc) if at_utc is not None else phrase("form.none")
        elif name in row.words or name in ("before", "after"):
            word = row.words.get(name, "")
            gaps[name] = phrase(f"verdict.{word}") if word in VERDICTS else phrase("form.none")
        else:
            gaps[name] = phrases.gap(name, float(row.numbers.get(name, math.nan)))
    return Phrase(key=f"{table}.{key}", gaps=gaps)
