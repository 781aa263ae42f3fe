"""Planned work as calendar entries (RFC 5545): one lasting entry a lift and kind of work, moved or cancelled later.

What is in the readers' calendars follows from the orders of work of earlier runs: nothing else has to be kept.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from urllib.parse import quote

import icalendar

from gonogo.mail.items import EntryView
from gonogo.mail.letter import CalendarFile
from gonogo.records.site import Site, Strip
from gonogo.records.work_order import PlannedWork, Work, WorkOrder
from gonogo.times import local_date
from gonogo.wording.clock import Clock
from gonogo.wording.language import Speaker
from gonogo.wording.order import work_phrase, work_span

EARLIER_DAYS = 14  # an entry lies ahead by less than the horizon, so none that is still to come is older than this
FIRST_UTC = datetime(2020, 1, 1, tzinfo=UTC)
PRODUCT = "-//gonogo//calendar//EN"
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One planned work as it should stand in a calendar.

    sequence       tells the run in which its times last changed: it rises with each change, and only then
    is_cancelled   it was planned once, its hours are still to come, and it is planned no more
    """

    work: PlannedWork
    sequence: int
    is_cancelled: bool


def entries(orders: Sequence[tuple[datetime, Sequence[PlannedWork]]], now_utc: datetime) -> tuple[Entry, ...]:
    """Return the entries that calendars should hold after the last of several orders of work.

    orders   (moment of the run, its planned work), oldest first; the last is the one of now

    What is over is left as it is. A cancellation is repeated until its hours are over, for a reader who missed a mail.
    Sealing ends every shift and has no entry.
    """
    known: dict[tuple[str, int, Work], Entry] = {}
    for at_utc, works in orders:
        planned: dict[tuple[str, int, Work], PlannedWork] = {
            (w.strip_id, w.lift, w.work): w for w in works if w.work != Work.SEALING
        }
        for key, work in planned.items():
            old = known.get(key)
            is_same = old is not None and not old.is_cancelled and _hours(old.work) == _hours(work)
            number = old.sequence if old is not None and is_same else _number(at_utc, old)
            known[key] = Entry(work=work, sequence=number, is_cancelled=False)
        gone = [(key, e) for key, e in known.items() if key not in planned and not e.is_cancelled]
        for key, entry in gone:
            if entry.work.end_utc > now_utc:
                known[key] = Entry(work=entry.work, sequence=_number(at_utc, entry), is_cancelled=True)
    coming = (e for e in known.values() if e.work.end_utc > now_utc)
    return tuple(sorted(coming, key=lambda e: (e.work.start_utc, e.work.crew_id, e.work.strip_id, e.work.work)))


def entries_now(
    earlier: Sequence[tuple[datetime, Sequence[PlannedWork]]],
    order: WorkOrder | None,
    site: Site,
    *,
    day: date,
    now_utc: datetime,
) -> tuple[Entry, ...]:
    """Return the entries after this run, with the orders of work of the runs of EARLIER_DAYS before it, oldest first.

    order   None on a morning that can give no verdict: what was planned for today is then cancelled, since nobody may
            roll on the strength of an earlier plan; the days after it stay as they were
    """
    if order is not None:
        works: Sequence[PlannedWork] = order.works
    elif earlier:
        works = [w for w in earlier[-1][1] if local_date(w.start_utc, site.zone) != day]
    else:
        return ()
    return entries([*earlier, (now_utc, works)], now_utc)


def entry_views(found: Sequence[Entry], own: Mapping[str, Strip], site: Site) -> tuple[EntryView, ...]:
    """Return the entries of a crew's strips, with the times that its mails show."""
    views = []
    for entry in found:
        work = entry.work
        if work.strip_id not in own:
            continue
        name = own[work.strip_id].name
        span = work_span(work, Clock(site=site, day=local_date(work.start_utc, site.zone)))
        views.append(
            EntryView(
                key="/".join(
                    quote(part, safe="") for part in (site.id, work.strip_id, str(work.lift), work.work.value)
                ),
                sequence=entry.sequence,
                is_cancelled=entry.is_cancelled,
                start_utc=span.start.at_local.astimezone(UTC),
                end_utc=max(span.end.at_local, span.start.at_local).astimezone(UTC),
                title=work_phrase(work, name, "calendar"),
                line=work_phrase(work, name, "order", span=span),
            )
        )
    return tuple(views)


def files(
    found: Sequence[EntryView], place: str, speak: Speaker, *, organizer: str, made_utc: datetime
) -> tuple[CalendarFile, ...]:
    """Return what is attached to a reader's mail: planned entries as PUBLISH, cancelled ones as CANCEL.

    place       where the work is
    organizer   plain address that the entries come from; its host makes their identifiers unique in the world
    """
    caution = speak.word("caution.short")
    made = []
    for method, is_cancelled in (("PUBLISH", False), ("CANCEL", True)):
        rows = tuple(
            _Row(
                uid=f"{e.key}@{organizer.rpartition('@')[2]}",
                sequence=e.sequence,
                start_utc=e.start_utc,
                end_utc=e.end_utc,
                title=_line(speak.say(e.title)),
                about="" if is_cancelled else f"{_line(speak.say(e.line))} {_line(caution)}",
            )
            for e in found
            if e.is_cancelled == is_cancelled
        )
        if rows:
            content = _content(method, rows, _line(place), organizer, made_utc.astimezone(UTC).replace(microsecond=0))
            name = f"gonogo-{'cancelled' if is_cancelled else 'planned'}.ics"
            made.append(CalendarFile(method=method, name=name, content=content))
    return tuple(made)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """One entry in words."""

    uid: str
    sequence: int
    start_utc: datetime
    end_utc: datetime
    title: str
    about: str


@functools.lru_cache(maxsize=64)  # the readers of a crew share their entries
def _content(method: str, rows: tuple[_Row, ...], place: str, organizer: str, made_utc: datetime) -> bytes:
    """Return a calendar with its entries. Times are in UTC, so that no time zone has to travel along."""
    calendar = icalendar.Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("method", method)
    for row in rows:
        event = icalendar.Event()
        event.add("uid", row.uid)
        event.add("sequence", row.sequence)
        event.add("dtstamp", made_utc)
        event.add("dtstart", row.start_utc)
        event.add("dtend", row.end_utc)
        event.add("summary", row.title)
        event.add("location", place)
        event.add("status", "CANCELLED" if method == "CANCEL" else "TENTATIVE")
        event.add("transp", "TRANSPARENT")
        event.add("organizer", icalendar.vCalAddress(f"mailto:{organizer}"))
        if row.about:
            event.add("description", row.about)
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _number(at_utc: datetime, old: Entry | None) -> int:
    """Return the sequence number of a change: minutes, above the one before."""
    minutes = int((at_utc - FIRST_UTC).total_seconds() // 60)
    return minutes if old is None else max(minutes, old.sequence + 1)


def _hours(work: PlannedWork) -> tuple[datetime, datetime]:
    return work.start_utc, work.end_utc


def _line(text: str) -> str:
    """Return text on one line: the library escapes what the format reserves, control characters have no place in it."""
    return _CONTROL.sub(" ", text.replace("\u00a0", " ").replace("\u202f", " ")).strip()
