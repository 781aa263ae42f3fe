"""What came in, kept for good: answers of weather services as they were, and entries from the site.

Nothing here is overwritten. A wrong entry is answered by a new one that points at it; `entries` gives what is in
force, `entry_log` everything that was ever said.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import math
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import date, datetime, timedelta
from typing import Any
from urllib.parse import parse_qsl, urlencode, urlsplit, urlunsplit

import sqlalchemy as sa

from gonogo.errors import StoreError
from gonogo.records.field import Entry, GaugeRain, Reading, SurfaceWork, Watering
from gonogo.records.outside import Answer
from gonogo.store import schema
from gonogo.store.encoding import decoded, encoded

KINDS = {"reading": Reading, "gauge_rain": GaugeRain, "watering": Watering, "surface_work": SurfaceWork}
WITHDRAWN = "withdrawn"
GOOD = (200, 203)  # 203: from a version of the service that ends soon
DELETED_AT_ONCE = 500  # fewer than the parameters that SQLite takes in one statement

# Names under which services ask for a key in the URL, and headers that carry one or a session.
SECRET_PARAMETERS = frozenset({"apikey", "api_key", "appid", "app_id", "key", "token", "access_token", "password"})
SECRET_HEADERS = frozenset({"authorization", "cookie", "set-cookie", "proxy-authorization", "x-api-key", "apikey"})


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredAnswer:
    """An answer with its place in the store. rejected: "" or why it was of no use."""

    id: int
    site_id: str
    answer: Answer
    rejected: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredEntry:
    """One line of the log of entries.

    entry           None where the line withdraws the one it corrects
    corrects_id     the line that this one replaces
    corrected_by_id the line that replaces this one, None while it is in force
    """

    id: int
    site_id: str
    entry: Entry | None
    entered_utc: datetime
    entered_by: str
    note: str
    source_key: str | None
    corrects_id: int | None
    corrected_by_id: int | None


# --- answers -------------------------------------------------------------------------------------------------


def save_answer(connection: sa.Connection, site_id: str, answer: Answer) -> int:
    """Store an answer as it came, before anyone reads it, and return its id.

    URL and headers are stored without keys, sessions and user names, even if the caller left them in.
    """
    headers = {name.lower(): value for name, value in answer.headers.items()}
    inserted = connection.execute(
        sa.insert(schema.answer)
        .values(
            site_id=site_id,
            service=answer.service,
            url=url_without_key(answer.url),
            fetched_utc=answer.fetched_utc,
            status=answer.status,
            headers=json.dumps({k: v for k, v in headers.items() if k not in SECRET_HEADERS}, sort_keys=True),
            body_gzip=gzip.compress(answer.body, mtime=0),
            body_bytes=len(answer.body),
            body_sha256=hashlib.sha256(answer.body).hexdigest(),
        )
        .returning(schema.answer.c.id)
    )
    return int(inserted.scalar_one())


def reject_answer(connection: sa.Connection, answer_id: int, reason: str) -> None:
    """Note why an answer was of no use, so that it never counts as the latest good one. It stays stored."""
    connection.execute(
        sa.update(schema.answer)
        .where(schema.answer.c.id == answer_id)
        .values(rejected=reason.replace("\x00", "")[:4000] or "rejected")
    )


def latest_answer(
    connection: sa.Connection, site_id: str, *, service: str | None = None, until_utc: datetime | None = None
) -> StoredAnswer | None:
    """Return the newest answer of a site (of one service, up to a moment) that was good and not rejected, or None.

    Answers that only say where a place lies (their service's name has a slash) count where asked for by name.
    """
    kept = schema.answer
    query = sa.select(kept).where(kept.c.site_id == site_id, kept.c.status.in_(GOOD), kept.c.rejected.is_(None))
    query = query.where(kept.c.service.not_like("%/%") if service is None else kept.c.service == service)
    if until_utc is not None:
        query = query.where(kept.c.fetched_utc <= until_utc)
    row = connection.execute(query.order_by(kept.c.fetched_utc.desc(), kept.c.id.desc()).limit(1)).first()
    return None if row is None else _answer(row)


def recent_answers(
    connection: sa.Connection, site_id: str, *, since_utc: datetime, until_utc: datetime
) -> tuple[StoredAnswer, ...]:
    """Return a site's good answers between two moments, newest first: of each service the last of every UTC day.

    After them the last answer of each service that says where the place lies, however old.
    """
    kept = schema.answer
    found = connection.execute(
        sa.select(kept.c.id, kept.c.service, kept.c.fetched_utc)
        .where(kept.c.site_id == site_id, kept.c.status.in_(GOOD), kept.c.rejected.is_(None))
        .where(kept.c.fetched_utc <= until_utc)
        .where(sa.or_(kept.c.fetched_utc >= since_utc, kept.c.service.like("%/%")))
        .order_by(kept.c.fetched_utc.desc(), kept.c.id.desc())
    ).all()
    wanted: dict[tuple[str, object], int] = {}
    for row in sorted(found, key=lambda row: "/" in row.service):
        wanted.setdefault((row.service, None if "/" in row.service else row.fetched_utc.date()), row.id)
    rows = {row.id: row for row in connection.execute(sa.select(kept).where(kept.c.id.in_(wanted.values())))}
    return tuple(_answer(rows[number]) for number in wanted.values())


def thin_answers(connection: sa.Connection, *, now_utc: datetime, keep_days: float) -> int:
    """Delete old answers that nothing needs, and return how many.

    Kept are: every answer that a run used; every answer of the last keep_days days, the rejected ones too; of older
    ones the last good answer of each site, service and UTC day; and the last that says where a place lies.
    """
    kept = schema.answer
    before_utc = now_utc - timedelta(days=keep_days)
    used = sa.select(schema.run.c.answer_id).where(schema.run.c.answer_id.is_not(None))
    old = connection.execute(
        sa.select(kept.c.id, kept.c.site_id, kept.c.service, kept.c.fetched_utc, kept.c.status, kept.c.rejected)
        .where(kept.c.fetched_utc < before_utc, kept.c.id.not_in(used))
        .order_by(kept.c.fetched_utc.desc(), kept.c.id.desc())
    )
    newest_places = {
        (row.site_id, row.service): row.id
        for row in connection.execute(
            sa.select(kept.c.id, kept.c.site_id, kept.c.service)
            .where(kept.c.service.like("%/%"), kept.c.status.in_(GOOD), kept.c.rejected.is_(None))
            .order_by(kept.c.fetched_utc, kept.c.id)
        )
    }
    seen: set[tuple[str, str, date]] = set()
    gone: list[int] = []
    for row in old:
        day = (row.site_id, row.service, row.fetched_utc.date())
        is_good = row.status in GOOD and row.rejected is None
        is_place = "/" in row.service
        is_last = newest_places.get((row.site_id, row.service)) == row.id if is_place else day not in seen
        if is_good and is_last:
            seen.add(day)
        else:
            gone.append(row.id)
    for first in range(0, len(gone), DELETED_AT_ONCE):
        part = gone[first : first + DELETED_AT_ONCE]
        # Asked again: a run may have taken one in the meantime.
        connection.execute(sa.delete(kept).where(kept.c.id.in_(part), kept.c.id.not_in(used)))
    return len(gone)


def stored_answer(connection: sa.Connection, answer_id: int) -> StoredAnswer:
    """Return one answer. Raises StoreError where there is none, or its bytes are not those that were stored."""
    row = connection.execute(sa.select(schema.answer).where(schema.answer.c.id == answer_id)).first()
    if row is None:
        raise StoreError(f"There is no answer {answer_id} in the database.")
    return _answer(row)


def url_without_key(url: str) -> str:
    """Return a URL without user name, password, and parameters that carry a key."""
    parts = urlsplit(url)
    host = parts.netloc.rpartition("@")[2]
    query = [
        (name, value)
        for name, value in parse_qsl(parts.query, keep_blank_values=True)
        if name.lower() not in SECRET_PARAMETERS
    ]
    return urlunsplit((parts.scheme, host, parts.path, urlencode(query, safe=",:"), ""))


def _answer(row: sa.Row[Any]) -> StoredAnswer:
    """Unpack a row of the answer table, checking that the body is the one that was stored."""
    try:
        body = gzip.decompress(row.body_gzip)
    except (OSError, EOFError, zlib.error) as error:
        raise StoreError(f"The stored answer {row.id} is damaged: {error}. A newer answer is needed.") from error
    if hashlib.sha256(body).hexdigest() != row.body_sha256:
        raise StoreError(f"The stored answer {row.id} is damaged: its bytes are not those that were stored.")
    answer = Answer(
        service=row.service,
        url=row.url,
        fetched_utc=row.fetched_utc,
        status=row.status,
        headers=json.loads(row.headers),
        body=body,
    )
    return StoredAnswer(id=row.id, site_id=row.site_id, answer=answer, rejected=row.rejected or "")


# --- entries -------------------------------------------------------------------------------------------------


def add_entry(
    connection: sa.Connection,
    site_id: str,
    entry: Entry,
    *,
    entered_utc: datetime,
    entered_by: str,
    note: str = "",
    source_key: str | None = None,
    corrects_id: int | None = None,
) -> int:
    """Add what was measured or done on site, and return the id of its line.

    entered_by    how it came: "command line", "csv", "reply", "config"
    source_key    where the same thing could arrive twice (a line of a file, a mail): its own name there; a second
                  arrival adds nothing and returns the first id
    corrects_id   the line that this one replaces

    Raises StoreError for a number that is none, a moment without time zone, a correction of a line that is not
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
        entered_utc=entered_utc,
        entered_by=entered_by,
        note=note,
        source_key=source_key,
        corrects_id=corrects_id,
    )


def withdraw_entry(
    connection: sa.Connection, site_id: str, entry_id: int, *, entered_utc: datetime, entered_by: str, note: str = ""
) -> int:
    """Take an entry out of force by a line that says so, and return that line's id. The entry itself stays."""
    return _add_line(
        connection,
        site_id=site_id,
        kind=WITHDRAWN,
        strip_id=None,
        at_utc=entered_utc,
        record="null",
        entered_utc=entered_utc,
        entered_by=entered_by,
        note=note,
        source_key=None,
        corrects_id=entry_id,
    )


def entries(connection: sa.Connection, site_id: str, *, since_utc: datetime | None = None) -> tuple[Entry, ...]:
    """Return the entries of a site that are in force, by their own time (rain: its end), from since_utc on."""
    log = schema.entry
    later = log.alias("later")
    query = (
        sa.select(log.c.kind, log.c.record)
        .where(log.c.site_id == site_id, log.c.kind != WITHDRAWN)
        .where(~sa.exists().where(later.c.corrects_id == log.c.id))
        .order_by(log.c.at_utc, log.c.id)
    )
    if since_utc is not None:
        query = query.where(log.c.at_utc >= since_utc)
    return tuple(decoded(row.record, KINDS[row.kind]) for row in connection.execute(query))


def entry_log(connection: sa.Connection, site_id: str, *, limit: int = 1000) -> tuple[StoredEntry, ...]:
    """Return every line that was ever entered for a site, newest first."""
    log = schema.entry
    later = log.alias("later")
    query = (
        sa.select(log, later.c.id.label("corrected_by_id"))
        .outerjoin(later, later.c.corrects_id == log.c.id)
        .where(log.c.site_id == site_id)
        .order_by(log.c.id.desc())
        .limit(limit)
    )
    return tuple(
        StoredEntry(
            id=row.id,
            site_id=row.site_id,
            entry=None if row.kind == WITHDRAWN else decoded(row.record, KINDS[row.kind]),
            entered_utc=row.entered_utc,
            entered_by=row.entered_by,
            note=row.note,
            source_key=row.source_key,
            corrects_id=row.corrects_id,
            corrected_by_id=row.corrected_by_id,
        )
        for row in connection.execute(query)
    )


def _add_line(connection: sa.Connection, **values: Any) -> int:
    """Insert one line of the entry log, unless its source key is there already."""
    log = schema.entry
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


def _refuse_what_is_no_entry(entry: Entry) -> None:
    """Refuse numbers that are none and moments without a zone: whatever checks came before, they end here."""
    for part in fields(entry):
        value = getattr(entry, part.name)
        if isinstance(value, float | int) and (not math.isfinite(value) or value < 0):
            raise StoreError(f"{part.name} = {value}: not a measured amount. Give a number from 0 upwards.")
        if isinstance(value, datetime) and value.tzinfo is None:
            raise StoreError(f"{part.name} = {value.isoformat()}: a moment needs its time zone. Give UTC.")
    if isinstance(entry, GaugeRain) and entry.until_utc <= entry.from_utc:
        raise StoreError(f"until_utc = {entry.until_utc.isoformat()}: rain ends after it begins. Swap the two moments.")
