"""What was recorded on site, kept for good.

Nothing here is overwritten. A wrong entry is answered by a new one that points at it; `entries` gives what is in
force, `entry_log` everything that was ever recorded.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from gonogo.errors import StoreError
from gonogo.records.field import (
    Entry,
    GaugeRain,
    GroundSeen,
    LiftResult,
    Reading,
    Spread,
    StationDay,
    SurfaceWork,
    Watering,
)
from gonogo.store import schema
from gonogo.store.encoding import decoded, encoded

KINDS = {
    "reading": Reading,
    "gauge_rain": GaugeRain,
    "watering": Watering,
    "surface_work": SurfaceWork,
    "lift_result": LiftResult,
    "ground_seen": GroundSeen,
}
STATION_DAY = "station_day"  # kept in the same log, but no entry that a verdict is made from
RECORDS: dict[str, type[Entry | StationDay]] = {**KINDS, STATION_DAY: StationDay}
WITHDRAWN = "withdrawn"


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """How an entry came.

    entered_by    "command line", "csv", "reply", "config"
    source_key    where the same thing could arrive twice (a line of a file, a mail): its own name there; a second
                  arrival adds nothing and gives the first line's id
    """

    entered_utc: datetime
    entered_by: str
    note: str = ""
    source_key: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredEntry:
    """One line of the log of entries.

    entry           None where the line withdraws the one it corrects
    corrects_id     the line that this one replaces
    corrected_by_id the line that replaces this one, None while it is in force
    """

    id: int
    site_id: str
    entry: Entry | StationDay | None
    entered_utc: datetime
    entered_by: str
    note: str
    source_key: str | None
    corrects_id: int | None
    corrected_by_id: int | None


def add_entry(
    connection: sa.Connection,
    site_id: str,
    entry: Entry,
    arrival: Arrival,
    *,
    corrects_id: int | None = None,
) -> int:
    """Add what was measured or done on site, and return the id of its line.

    corrects_id   the line that this one replaces

    Raises StoreError for a value that is not a number, a moment without time zone, a correction of a line that is not
    there, is another site's, or has been corrected already.
    """
    kind = next(name for name, record in KINDS.items() if isinstance(entry, record))
    _refuse_what_is_no_entry(entry)
    at_utc = entry.until_utc if isinstance(entry, GaugeRain) else entry.at_utc
    strip_id = None if isinstance(entry, GaugeRain) else entry.strip_id
    return _add_line(
        connection,
        site_id=site_id,
        kind=kind,
        strip_id=strip_id,
        at_utc=at_utc,
        record=encoded(entry),
        arrival=arrival,
        corrects_id=corrects_id,
    )


def add_station_day(
    connection: sa.Connection,
    site_id: str,
    read: StationDay,
    arrival: Arrival,
    *,
    at_utc: datetime,
    corrects_id: int | None = None,
) -> int:
    """Add what a contract's weather station read on a date that began at at_utc, and return the id of its line.

    Raises StoreError as add_entry does.
    """
    return _add_line(
        connection,
        site_id=site_id,
        kind=STATION_DAY,
        strip_id=None,
        at_utc=at_utc,
        record=encoded(read),
        arrival=arrival,
        corrects_id=corrects_id,
    )


def withdraw_entry(connection: sa.Connection, site_id: str, entry_id: int, arrival: Arrival) -> int:
    """Take an entry out of force by a line that says so, and return that line's id. The entry itself stays."""
    return _add_line(
        connection,
        site_id=site_id,
        kind=WITHDRAWN,
        strip_id=None,
        at_utc=arrival.entered_utc,
        record="null",
        arrival=arrival,
        corrects_id=entry_id,
    )


def entries(connection: sa.Connection, site_id: str, *, since_utc: datetime | None = None) -> tuple[Entry, ...]:
    """Return the entries of a site that are in force, by their own time (rain: its end), from since_utc on."""
    query = _IN_FORCE if since_utc is None else _IN_FORCE.where(schema.entry.c.at_utc >= since_utc)
    return tuple(decoded(row.record, KINDS[row.kind]) for row in connection.execute(query, {"site_id": site_id}))


_LATER = schema.entry.alias("later")
_IN_FORCE = (
    sa.select(schema.entry.c.kind, schema.entry.c.record)
    .where(schema.entry.c.site_id == sa.bindparam("site_id"), schema.entry.c.kind.in_(list(KINDS)))
    .where(~sa.exists().where(_LATER.c.corrects_id == schema.entry.c.id))
    .order_by(schema.entry.c.at_utc, schema.entry.c.id)
)


def entry_log(
    connection: sa.Connection, site_id: str, *, limit: int = 1000, until_id: int | None = None
) -> tuple[StoredEntry, ...]:
    """Return every line that was ever entered for a site, newest first. until_id: from the line of that number on."""
    log = schema.entry
    later = log.alias("later")
    query = (
        sa.select(log, later.c.id.label("corrected_by_id"))
        .outerjoin(later, later.c.corrects_id == log.c.id)
        .where(log.c.site_id == site_id)
        .order_by(log.c.id.desc())
        .limit(limit)
    )
    if until_id is not None:
        query = query.where(log.c.id <= until_id)
    return tuple(stored_entry(row) for row in connection.execute(query))


def stored_entry(row: sa.Row[Any]) -> StoredEntry:
    """Unpack a row of the log, selected with the number of the line that corrects it."""
    return StoredEntry(
        id=row.id,
        site_id=row.site_id,
        entry=None if row.kind == WITHDRAWN else decoded(row.record, RECORDS[row.kind]),
        entered_utc=row.entered_utc,
        entered_by=row.entered_by,
        note=row.note,
        source_key=row.source_key,
        corrects_id=row.corrects_id,
        corrected_by_id=row.corrected_by_id,
    )


def _add_line(connection: sa.Connection, *, arrival: Arrival, **columns: Any) -> int:
    """Insert one line of the entry log, unless its source key is there already."""
    log, values = schema.entry, {**columns, **asdict(arrival)}
    known = sa.select(log.c.id).where(log.c.site_id == values["site_id"], log.c.source_key == values["source_key"])
    if values["source_key"] is not None:
        found = connection.scalar(known)
        if found is not None:
            return int(found)
    if values["corrects_id"] is not None:
        _refuse_correction(connection, values)
    statement = schema.insert_new(connection, log, ["site_id", "source_key"]).values(**values)
    added = connection.scalar(statement.returning(log.c.id))
    # None: the same thing arrived by another door in this very moment, and is stored.
    return int(connection.scalars(known).one() if added is None else added)


def _refuse_correction(connection: sa.Connection, values: Mapping[str, Any]) -> None:
    """Refuse to correct what is not there, is another site's, kind or strip, a withdrawal, or corrected already."""
    log, site_id, corrects_id, kind = schema.entry, values["site_id"], values["corrects_id"], values["kind"]
    # The row is locked so that two corrections of one line come one after the other, and the second is refused.
    found = connection.execute(
        sa.select(log.c.kind, log.c.strip_id).where(log.c.id == corrects_id, log.c.site_id == site_id).with_for_update()
    ).first()
    if found is None:
        raise StoreError(f"Entry {corrects_id} of site {site_id} does not exist, so it cannot be corrected.")
    if found.kind == WITHDRAWN:
        raise StoreError(f"Entry {corrects_id} only withdraws another. Enter what is right as a new entry.")
    if kind != WITHDRAWN and (kind, values["strip_id"]) != (found.kind, found.strip_id):
        of_strip = f" of {found.strip_id}" if found.strip_id else ""
        raise StoreError(f"Entry {corrects_id} is a {found.kind}{of_strip}, which no other kind or strip replaces.")
    newer = connection.scalar(sa.select(log.c.id).where(log.c.corrects_id == corrects_id))
    if newer is not None:
        raise StoreError(f"Entry {corrects_id} has been corrected already, by entry {newer}. Correct that one.")


def _refuse_what_is_no_entry(entry: Entry | Spread) -> None:
    """Refuse numbers that are none and moments without a zone: whatever checks came before, they end here."""
    for part in fields(entry):
        value = getattr(entry, part.name)
        if isinstance(value, float | int) and (not math.isfinite(value) or value < 0):
            raise StoreError(f"{part.name} = {value}: not a measured amount. Give a number from 0 upwards.")
        if isinstance(value, Spread):
            _refuse_what_is_no_entry(value)
        if isinstance(value, datetime) and value.tzinfo is None:
            raise StoreError(f"{part.name} = {value.isoformat()}: a moment needs its time zone. Give UTC.")
    if isinstance(entry, GaugeRain) and entry.until_utc <= entry.from_utc:
        raise StoreError(f"until_utc = {entry.until_utc.isoformat()}: rain ends after it begins. Swap the two moments.")
