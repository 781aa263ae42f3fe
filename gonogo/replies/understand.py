"""An answer as a whole: entries that may be stored, or which line was not understood. All of it counts, or nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from gonogo.errors import ConfigError
from gonogo.field import entries
from gonogo.field.entries import NewEntry
from gonogo.field.row import CLOCK_SLACK
from gonogo.records.field import GaugeRain, Reading
from gonogo.records.shift import is_working_day, shift_utc
from gonogo.records.site import Recipient, Site, Strip
from gonogo.replies import densities, grammar
from gonogo.replies.grammar import ReplyLine, Unread
from gonogo.replies.numbers import Marks
from gonogo.replies.parts import Reader
from gonogo.store.history import StoredEntry
from gonogo.times import local_date, occurrences_utc
from gonogo.wording.language import Speaker

MOST_LINES = 40
GAUGE_SINCE = timedelta(days=3)  # how far back a reading of the gauge may lie from which the next one counts
EARLY_START = timedelta(hours=1)  # before a shift, in which its work may begin: our own choice


@dataclass(frozen=True, slots=True, kw_only=True)
class Background:
    """What an answer is understood against.

    strips    those that the writer may write about
    at_utc    when it was written, as far as that is known
    log       the site's entries, newest first
    readings  the tests that the config gives
    """

    site: Site
    strips: tuple[Strip, ...]
    now_utc: datetime
    at_utc: datetime
    log: Sequence[StoredEntry] = ()
    readings: Sequence[Reading] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Meant:
    """One entry of an answer, and the line that told it. is_timed: the line said when it was."""

    line: str
    new: NewEntry
    is_timed: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Understood:
    """What an answer says: entries, numbers to take back, an order about the mails themselves; or lines not read.

    order   "stop", "start", "yes" or ""
    """

    entries: tuple[Meant, ...] = ()
    undo: tuple[int, ...] = ()
    order: str = ""
    unread: tuple[Unread, ...] = ()


def reader_of(person: Recipient, speaker: Speaker) -> Reader:
    """Return how a person writes: as the person's mails print numbers and clocks."""
    symbols = speaker.locale.number_symbols["latn"]
    has_twelve_hours = "a" in str(speaker.locale.time_formats["short"].pattern)
    marks = Marks(decimal=symbols["decimal"], group=symbols["group"])
    return Reader(marks=marks, units=person.units, has_twelve_hours=has_twelve_hours)


def understood(lines: Sequence[str], reader: Reader, background: Background) -> Understood:
    """Return what the lines of an answer say. Where one line is not understood, nothing but the faults is returned."""
    if len(lines) > MOST_LINES:
        return Understood(unread=(Unread(line=lines[MOST_LINES], key="too_many_lines", what=str(MOST_LINES)),))
    zone = background.site.zone
    read = [grammar.read(line, background.strips, reader, background.at_utc.astimezone(zone)) for line in lines]
    read = densities.joined(read)
    orders = [line for line in read if isinstance(line, ReplyLine) and line.kind in ("stop", "start", "yes")]
    if orders and len(read) > 1:
        return Understood(unread=(Unread(line=orders[0].line, key="order_alone"),))
    found: list[Meant] = []
    unread = [line for line in read if isinstance(line, Unread)]
    undo = [round(s.amounts["number"]) for s in read if isinstance(s, ReplyLine) and s.kind == "undo"]
    for line in read:
        if isinstance(line, ReplyLine) and line.kind not in grammar.ALONE:
            meant = _meant(line, background)
            (unread if isinstance(meant, Unread) else found).append(meant)  # type: ignore[arg-type]
    if unread:
        return Understood(unread=tuple(unread))
    return Understood(entries=tuple(found), undo=tuple(undo), order=orders[0].kind if orders else "")


def _meant(line: ReplyLine, background: Background) -> Meant | Unread:
    """Return the entry of a line, checked as one that is typed is."""
    fields = _fields(line, background)
    if isinstance(fields, Unread):
        return fields
    try:
        (new,) = entries.parse([("reply", fields)], background.site, background.now_utc)
    except ConfigError as error:
        key = "future" if any("future" in fault.wrong for fault in error.faults) else "impossible"
        return Unread(line=line.line, key=key, what=line.strip_id)
    return Meant(line=line.line, new=new, is_timed=bool(line.clocks))


def _fields(line: ReplyLine, background: Background) -> dict[str, str] | Unread:
    """Return the columns that an entry of the same words would have in a file."""
    at = _moment(line.line, line.clocks, background)
    if isinstance(at, Unread):
        return at
    if line.kind in ("watering", "surface") and _is_between_shifts(at or background.at_utc, background.site):
        if len(line.clocks) > 1:
            return Unread(line=line.line, key="half_of_day")
        if not line.clocks:
            return Unread(line=line.line, key="no_time")
    fields = {"at": (at or background.at_utc).isoformat()}
    if line.kind == "rain":
        return _rain_fields(line, at or background.at_utc, background)
    fields["strip"] = line.strip_id
    if line.kind == "watering":
        return fields | {"kind": "watering", "litres": _written(line.amounts["litres"])}
    if line.kind == "ground":
        depth = {"lying_mm": _written(1000.0 * line.amounts["lying_m"])} if "lying_m" in line.amounts else {}
        return fields | {"kind": "ground", "state": line.work} | depth
    if line.kind == "surface":
        return _work_fields(line, fields)
    return _reading_fields(line, fields, background)


def _work_fields(line: ReplyLine, fields: dict[str, str]) -> dict[str, str] | Unread:
    if line.work in ("accepted", "rework"):
        if "lift" not in entries.KINDS:
            return Unread(line=line.line, key="not_kept", what=line.work)
        return fields | {"kind": "lift", "result": line.work}
    fields |= {"kind": "surface", "work": line.work}
    if "passes" in line.amounts:
        fields["passes"] = _written(line.amounts["passes"])
    if "thickness_m" in line.amounts:
        if "thickness_m" not in entries.COLUMNS:
            return Unread(line=line.line, key="not_kept", what="m")
        fields["thickness_m"] = _written(line.amounts["thickness_m"])
    return fields


def _reading_fields(line: ReplyLine, fields: dict[str, str], background: Background) -> dict[str, str] | Unread:
    if densities.is_alone(line):
        return _density_fields(line, fields, background)
    method = line.method or _last_method(line.strip_id, background)
    if not method:
        return Unread(line=line.line, key="no_method", what=line.strip_id)
    if method in entries.WITH_BASIS and not line.basis:
        return Unread(line=line.line, key="no_basis", what=line.strip_id)
    fields |= {"kind": "reading", "w_pct": _written(line.amounts["w_pct"]), "method": method, "basis": line.basis}
    if "depth_m" in line.amounts:
        fields["depth_mm"] = _written(line.amounts["depth_m"] * 1000.0)
    return fields | _density(line, background.site)


def _density_fields(line: ReplyLine, fields: dict[str, str], background: Background) -> dict[str, str] | Unread:
    """Return the columns of a density that is told alone: those of its moisture test, which it completes."""
    at_utc = datetime.fromisoformat(fields["at"])
    test = densities.test_of(line, at_utc, _in_force(background), background.site.zone)
    if test is None or not isinstance(test.entry, Reading):
        return Unread(line=line.line, key="no_water_content", what=line.strip_id)
    fields |= {
        "kind": "reading",
        "at": test.entry.at_utc.isoformat(),
        "w_pct": _written(test.entry.w_pct),
        "method": test.entry.method,
        "basis": "dry",  # as every stored water content
        "corrects": str(test.id),
    }
    if test.entry.depth_mm is not None:
        fields["depth_mm"] = _written(test.entry.depth_mm)
    return fields | _density(line, background.site)


def _density(line: ReplyLine, site: Site) -> dict[str, str]:
    """Return the column of a line's density, none where it tells none."""
    density = line.amounts.get("dry_density_kg_m3")
    if "compaction_pct" in line.amounts:
        material = site.material(site.strip(line.strip_id).material_id)
        density = line.amounts["compaction_pct"] / 100.0 * material.mdd_kg_m3
    return {} if density is None else {"dry_density_kg_m3": _written(density)}


def _rain_fields(line: ReplyLine, until_utc: datetime, background: Background) -> dict[str, str] | Unread:
    since = _moment(line.line, line.since, background)
    if isinstance(since, Unread):
        return since
    if since is None:
        since = _last_emptied(until_utc, background)
    if since is None:
        return Unread(line=line.line, key="rain_since")
    rain_mm = _written(line.amounts["rain_mm"])
    return {"kind": "rain", "at": since.isoformat(), "until": until_utc.isoformat(), "rain_mm": rain_mm}


def _moment(line: str, clocks: Sequence[datetime], background: Background) -> datetime | Unread | None:
    """Return the moment of wall-clock candidates: the one that has been, None where none was given."""
    if not clocks:
        return None
    found = [occurrences_utc(at, background.site.zone) for at in clocks]
    if any(len(moments) != 1 for moments in found):
        return Unread(line=line, key="clock_change")
    past = [moments[0] for moments in found if moments[0] <= background.now_utc + CLOCK_SLACK]
    if not past:
        return Unread(line=line, key="future")
    if len(past) > 1:
        return Unread(line=line, key="half_of_day")
    return past[0]


def _is_between_shifts(at_utc: datetime, site: Site) -> bool:
    """Return whether a moment lies in a night between two shifts, or on a day off: no work is told of it unsaid.

    After a shift its work is told, on the same date.
    """
    day = local_date(at_utc, site.zone)
    begins_utc, (_, ended_utc) = shift_utc(site, day)[0], shift_utc(site, day - timedelta(days=1))
    if at_utc <= ended_utc:  # a shift that passes midnight
        return False
    return not is_working_day(site, day) or at_utc < begins_utc - EARLY_START


def _last_method(strip_id: str, background: Background) -> str:
    """Return how the strip was tested last, else the site; "" where nothing was."""
    tests = [line.entry for line in _in_force(background) if isinstance(line.entry, Reading)]
    tests = sorted([*tests, *background.readings], key=lambda test: test.at_utc, reverse=True)
    own = [test.method for test in tests if test.strip_id == strip_id]
    return next(iter((*own, *(test.method for test in tests))), "")


def _last_emptied(until_utc: datetime, background: Background) -> datetime | None:
    gauge = [line.entry.until_utc for line in _in_force(background) if isinstance(line.entry, GaugeRain)]
    before = [at for at in gauge if until_utc - GAUGE_SINCE <= at < until_utc]
    return max(before, default=None)


def _in_force(background: Background) -> list[StoredEntry]:
    return [line for line in background.log if line.entry is not None and line.corrected_by_id is None]


def _written(value: float) -> str:
    return f"{value:.4f}"  # four decimals: no reader takes them for thousands


def own_strips(site: Site, crew_ids: Mapping[str, object] | Sequence[str]) -> tuple[Strip, ...]:
    """Return the strips of some crews."""
    return tuple(strip for strip in site.strips if strip.crew_id in crew_ids)
