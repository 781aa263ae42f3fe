"""What looks like a slip beside what is stored: the same thing twice, or two tests that contradict each other."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from gonogo.errors import Fault
from gonogo.field.entries import NewEntry
from gonogo.records.field import Entry, GaugeRain, GroundSeen, LiftResult, Reading, StationDay, SurfaceWork, Watering
from gonogo.store.history import StoredEntry

NEAR = timedelta(hours=1)
AT_ONCE = timedelta(minutes=1)
CONTRADICT_PCT = 6.0  # two spots of one lift seldom differ by so much at one moment: common practice
QUESTION = "If it is another one, add --again (in a file: again in the column meant). Nothing was stored."
VALUE_KEYS = {
    Reading: "w_pct",
    GaugeRain: "rain_mm",
    Watering: "litres",
    SurfaceWork: "work",
    LiftResult: "result",
    GroundSeen: "state",
}


def moment_of(entry: Entry) -> datetime:
    """Return when an entry happened; of rain, when the gauge was read."""
    return entry.until_utc if isinstance(entry, GaugeRain) else entry.at_utc


def faults(new: Sequence[NewEntry], stored: Iterable[StoredEntry]) -> list[Fault]:
    """Return a fault for every new entry that is likely a double of a stored one in force, or contradicts it.

    So is one that stands twice, word for word and of one moment, among the new ones: a line that was pasted twice.

    Entries that say of themselves that they are meant, and the entry that a correction replaces, are passed over.
    """
    in_force = in_force_of(stored)
    beside = [_fault(entry, likeness) for entry in new if (likeness := likeness_of(entry, in_force)) is not None]
    return [*beside, *_pasted_twice(new)]


def _pasted_twice(new: Sequence[NewEntry]) -> list[Fault]:
    first: dict[Entry, NewEntry] = {}
    faults = []
    for entry in new:
        before = first.setdefault(entry.entry, entry)
        if before is not entry and not entry.is_meant_again and entry.corrects is None:
            key = VALUE_KEYS[type(entry.entry)]
            wrong = f"stands in {before.place} too, of the same moment."
            value = str(getattr(entry.entry, key))
            faults.append(Fault(place=entry.place, key=key, value=value, wrong=wrong, right=QUESTION))
    return faults


@dataclass(frozen=True, slots=True, kw_only=True)
class Likeness:
    """A stored entry that a new one is likely a double of, or that it contradicts. before: its value."""

    number: int
    before: float | str
    apart: timedelta
    contradicts: bool


def in_force_of(stored: Iterable[StoredEntry]) -> list[StoredEntry]:
    """Return the lines of a log that count."""
    return [line for line in stored if line.entry is not None and line.corrected_by_id is None]


def likeness_of(new: NewEntry, in_force: Iterable[StoredEntry]) -> Likeness | None:
    """Return what a new entry is likely a double of or contradicts, None where nothing or where it is meant."""
    if new.is_meant_again:
        return None
    key = VALUE_KEYS[type(new.entry)]
    value = getattr(new.entry, key)
    for line in in_force:
        if line.entry is None or isinstance(line.entry, StationDay) or line.id == new.corrects:
            continue
        if not _is_of_one_thing(new.entry, line.entry):
            continue
        apart, before = abs(moment_of(new.entry) - moment_of(line.entry)), getattr(line.entry, key)
        if before == value and apart <= NEAR:
            return Likeness(number=line.id, before=before, apart=apart, contradicts=False)
        if isinstance(value, float) and key == "w_pct" and apart <= AT_ONCE and abs(value - before) > CONTRADICT_PCT:
            return Likeness(number=line.id, before=before, apart=apart, contradicts=True)
    return None


def _fault(new: NewEntry, found: Likeness) -> Fault:
    key, number = VALUE_KEYS[type(new.entry)], found.number
    wrong = f"is recorded already as entry {number}, {_ago(found.apart)}."
    if found.contradicts:
        wrong = f"contradicts entry {number}, {found.before:g} at the same moment; --corrects {number} replaces that."
    return Fault(place=new.place, key=key, value=str(getattr(new.entry, key)), wrong=wrong, right=QUESTION)


def _is_of_one_thing(a: Entry, b: Entry) -> bool:
    return type(a) is type(b) and getattr(a, "strip_id", None) == getattr(b, "strip_id", None)


def _ago(apart: timedelta) -> str:
    minutes = round(apart / timedelta(minutes=1))
    return f"{minutes} minutes apart" if minutes else "of the same moment"
