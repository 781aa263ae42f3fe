"""Planned work as calendar entries (RFC 5545): one lasting entry a lift and kind of work, moved or cancelled later.

What is in the readers' calendars follows from the orders of work of earlier runs: nothing else has to be kept.
"""

from __future__ import annotations

import functools
import importlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from urllib.parse import quote
from zoneinfo import ZoneInfo

from gonogo.mail.items import EntryView
from gonogo.mail.letter import CalendarFile
from gonogo.records.site import Site, Strip
from gonogo.records.work_order import PlannedWork, Work, WorkOrder
from gonogo.times import local_date
from gonogo.wording import phrases
from gonogo.wording.clock import Clock
from gonogo.wording.instruction import is_beyond
from gonogo.wording.language import Speaker
from gonogo.wording.order import work_phrase, work_span
from gonogo.wording.phrases import Phrase, phrase

EARLIER_DAYS = 14  # an entry lies ahead by less than the horizon, so none that is still to come is older than this
FIRST_UTC = datetime(2020, 1, 1, tzinfo=UTC)
TESTED_FIRST = ("test_first", "water_first")  # marks of a rolling that a test releases
PRODUCT = "-//gonogo//calendar//EN"
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One planned work as it should stand in a calendar.

    sequence       tells the run in which its hours, litres or marks last changed: it rises with each change, and only
                   then
    is_cancelled   it was planned once, its hours are still to come, and it is planned no more
    is_if_dry      too far ahead, or too unlikely, to be promised
    trucks_before  by which trucks it was to be watered before, other than the one of now
    again          how often the same work stood in calendars before, and its hours passed: those entries stay
    """

    work: PlannedWork
    sequence: int
    is_cancelled: bool
    is_if_dry: bool = False
    trucks_before: tuple[str, ...] = ()
    again: int = 0


def entries(
    orders: Sequence[tuple[datetime, Sequence[PlannedWork]]], now_utc: datetime, zone: ZoneInfo
) -> tuple[Entry, ...]:
    """Return the entries that calendars should hold after the last of several orders of work.

    orders   (moment of the run, its planned work), oldest first; the last is the one of now

    What is over stays as it is: the same work planned again gets its own entry. A cancellation is repeated until
    its hours are over, for a reader who missed a mail. Sealing ends every shift and has no entry.
    """
    known: dict[tuple[str, int, Work], Entry] = {}
    for at_utc, works in orders:
        planned: dict[tuple[str, int, Work], PlannedWork] = {
            (w.strip_id, w.lift, w.work): w for w in works if w.work != Work.SEALING
        }
        for key, work in planned.items():
            known[key] = _next_entry(known.get(key), work, at_utc, zone)
        gone = [(key, e) for key, e in known.items() if key not in planned and not e.is_cancelled]
        for key, entry in gone:
            if entry.work.end_utc > now_utc:
                known[key] = replace(entry, sequence=_number(at_utc, entry), is_cancelled=True)
    coming = (e for e in known.values() if e.work.end_utc > now_utc)
    return tuple(sorted(coming, key=lambda e: (e.work.start_utc, e.work.crew_id, e.work.strip_id, e.work.work)))


def _next_entry(old: Entry | None, work: PlannedWork, at_utc: datetime, zone: ZoneInfo) -> Entry:
    """Return the entry of a work that a run plans, after the one that calendars hold."""
    is_far = is_beyond(local_date(work.start_utc, zone), local_date(at_utc, zone))
    is_if_dry = work.work == Work.ROLLING and (is_far or "unsure" in work.flags)
    trucks = () if old is None else dict.fromkeys((*old.trucks_before, old.work.truck_id))
    before = tuple(truck_id for truck_id in trucks if truck_id not in ("", work.truck_id))
    new = Entry(work=work, sequence=0, is_cancelled=False, is_if_dry=is_if_dry, trucks_before=before)
    if old is None:
        return replace(new, sequence=_number(at_utc, None))
    if old.work.end_utc <= at_utc and _hours(old.work) != _hours(work):
        return replace(new, sequence=_number(at_utc, None), again=old.again + 1)
    is_moved = old.work.truck_id not in ("", work.truck_id)
    is_same = not old.is_cancelled and not is_moved and _shown(old) == _shown(new)
    return replace(new, sequence=old.sequence if is_same else _number(at_utc, old), again=old.again)


def _shown(entry: Entry) -> tuple[object, ...]:
    """Return what an entry shows: another of it is a change."""
    work = entry.work
    return (
        *_hours(work),
        phrases.amount("litres", work.litres),
        entry.is_if_dry,
        *(flag in work.flags for flag in TESTED_FIRST),
    )


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
    return entries([*earlier, (now_utc, works)], now_utc, site.zone)


def entry_views(
    found: Sequence[Entry], own: Mapping[str, Strip], site: Site, truck_id: str = ""
) -> tuple[EntryView, ...]:
    """Return the entries of some crews' strips, with the times that their mails show.

    truck_id   of the truck whose driver reads: what another waters is none of his, and cancelled if it was; "" for all
    """
    views = []
    for entry in found:
        work = entry.work
        is_others = "" not in (truck_id, work.truck_id) and truck_id != work.truck_id
        if work.strip_id not in own or (is_others and truck_id not in entry.trucks_before):
            continue
        name, crew = own[work.strip_id].name, site.crew(work.crew_id)
        day = local_date(work.start_utc, site.zone)
        span = work_span(work, Clock(site=site, day=day))
        parts = (site.id, work.strip_id, str(work.lift), work.work.value, *([str(entry.again)] if entry.again else []))
        views.append(
            EntryView(
                key="/".join(quote(part, safe="") for part in parts),
                crew_id=crew.id,
                day=day,
                kind=work.work.value,
                sequence=entry.sequence,
                is_cancelled=entry.is_cancelled or is_others,
                start_utc=span.start.at_local.astimezone(UTC),
                end_utc=max(span.end.at_local, span.start.at_local).astimezone(UTC),
                title=_title(entry, name, crew.name),
                line=work_phrase(work, name, "calendar"),
            )
        )
    return tuple(views)


def _title(entry: Entry, name: str, crew: str) -> Phrase:
    """Return the title of an entry: crew and work, whether it is tested first, whether it is promised at all."""
    work = entry.work
    title = work_phrase(work, name, "calendar")
    if work.work == Work.ROLLING and any(flag in work.flags for flag in TESTED_FIRST):
        title = phrase("calendar.test_first", title=title)
    if entry.is_if_dry:
        title = phrase("calendar.if_dry", title=title)
    return phrase("calendar.of_crew", crew=crew, title=title)


def files(
    found: Sequence[EntryView], site: str, speak: Speaker, *, organizer: str, made_utc: datetime, day: date
) -> tuple[CalendarFile, ...]:
    """Return what is attached to a reader's mail: a file a crew with its plan, one more where entries are cancelled.

    site        where the work is
    organizer   plain address that the entries come from; its host makes their identifiers unique in the world
    day         of the mail, for the names of the files
    """
    made = []
    for crew_id in dict.fromkeys(e.crew_id for e in found):
        for method, is_cancelled in (("PUBLISH", False), ("CANCEL", True)):
            own = [e for e in found if e.crew_id == crew_id and e.is_cancelled == is_cancelled]
            rows = tuple(_row(e, speak, organizer) for e in own)
            if rows:
                moment = made_utc.astimezone(UTC).replace(microsecond=0)
                content = _content(method, rows, _line(site), organizer, moment)
                name = f"{_file_name(crew_id)}-{day.isoformat()}{'-cancelled' if is_cancelled else ''}.ics"
                made.append(CalendarFile(method=method, name=name, content=content))
    return tuple(made)


def _row(entry: EntryView, speak: Speaker, organizer: str) -> _Row:
    return _Row(
        uid=f"{entry.key}@{organizer.rpartition('@')[2]}",
        sequence=entry.sequence,
        start_utc=entry.start_utc,
        end_utc=entry.end_utc,
        title=_line(speak.say(entry.title)),
        about="" if entry.is_cancelled else f"{_line(speak.say(entry.line))}. {_line(speak.word('caution.short'))}",
    )


def _file_name(crew_id: str) -> str:
    """Return a crew's id with nothing in it that a file's name cannot hold."""
    return re.sub(r"[^A-Za-z0-9_-]+", "-", crew_id).strip("-") or "crew"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """One entry in words."""

    uid: str
    sequence: int
    start_utc: datetime
    end_utc: datetime
    title: str
    about: str


@functools.lru_cache(maxsize=16)  # the readers of a crew share their entries, no other site does
def _content(method: str, rows: tuple[_Row, ...], place: str, organizer: str, made_utc: datetime) -> bytes:
    """Return a calendar with its entries. Times are in UTC, so that no time zone has to travel along."""
    icalendar = importlib.import_module("icalendar")  # 9 MB, which the process that hands out runs does without
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
