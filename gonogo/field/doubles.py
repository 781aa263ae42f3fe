"""What looks like a slip beside what is stored: the same thing twice, or two tests that contradict each other."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta

from gonogo.errors import Fault
from gonogo.field.entries import NewEntry
from gonogo.records.field import Entry, GaugeRain, Reading, StationDay, SurfaceWork, Watering
from gonogo.store.history import StoredEntry

NEAR = timedelta(hours=1)
AT_ONCE = timedelta(minutes=1)
CONTRADICT_PCT = 6.0  # two spots of one lift seldom differ by so much at one moment: common practice
QUESTION = "If it is another one, add --again (in a file: again in the column meant). Nothing was stored."
VALUE_KEYS = {Reading: "w_pct", GaugeRain: "rain_mm", Watering: "litres", SurfaceWork: "work"}


def moment_of(entry: Entry) -> datetime:
    """Return when an entry happened; of rain, when the gauge was read."""
    return entry.until_utc if isinstance(entry, GaugeRain) else entry.at_utc


def faults(new: Sequence[NewEntry], stored: Iterable[StoredEntry]) -> list[Fault]:
    """Return a fault for every new entry that is likely a double of a stored one in force, or contradicts it.

    Entries that say of themselves that they are meant, and the entry that a correction replaces, are passed over.
    """
    in_force = [line for line in stored if line.entry is not None and line.corrected_by_id is None]
    found = []
    for entry in new:
        others = [line for line in in_force if line.id != entry.corrects]
        if not entry.is_meant_again and (fault := _fault(entry, others)) is not None:
            found.append(fault)
    return found


def _fault(new: NewEntry, stored: Sequence[StoredEntry]) -> Fault | None:
    key = VALUE_KEYS[type(new.entry)]
    value = getattr(new.entry, key)
    for line in stored:
        if line.entry is None or isinstance(line.entry, StationDay) or not _is_of_one_thing(new.entry, line.entry):
            continue
        apart, before = abs(moment_of(new.entry) - moment_of(line.entry)), getattr(line.entry, key)
        if before == value and apart <= NEAR:
            wrong = f"is recorded already as entry {line.id}, {_ago(apart)}."
        elif isinstance(value, float) and key == "w_pct" and apart <= AT_ONCE and abs(value - before) > CONTRADICT_PCT:
            wrong = f"contradicts entry {line.id}, {before:g} at the same moment; --corrects {line.id} replaces that."
        else:
            continue
        return Fault(place=new.place, key=key, value=str(value), wrong=wrong, right=QUESTION)
    return None


def _is_of_one_thing(a: Entry, b: Entry) -> bool:
    return type(a) is type(b) and getattr(a, "strip_id", None) == getattr(b, "strip_id", None)


def _ago(apart: timedelta) -> str:
    minutes = round(apart / timedelta(minutes=1))
    return f"{minutes} minutes apart" if minutes else "of the same moment"
