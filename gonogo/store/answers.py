"""Answers of weather services as they came, kept before anyone reads them; old ones that nothing needs are thinned.

Thinning, once a day: every answer that a run used stays; all of the last `answer_keep_days` stay, refused ones too;
of older ones the last good one of each site, service and UTC day.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from urllib.parse import parse_qsl, urlencode, urlsplit, urlunsplit

import sqlalchemy as sa

from gonogo.errors import StoreError
from gonogo.records.outside import Answer
from gonogo.store import schema

GOOD = (200, 203)  # 203: from a version of the service that ends soon
GZIP_LEVEL = 6  # 9 takes twice as long for a hundredth less
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


_SAVE = sa.insert(schema.answer).returning(schema.answer.c.id)


def save_answer(connection: sa.Connection, site_id: str, answer: Answer) -> int:
    """Store an answer as it came, before anyone reads it, and return its id.

    URL and headers are stored without keys, sessions and user names, even if the caller left them in.
    """
    headers = {name.lower(): value for name, value in answer.headers.items()}
    inserted = connection.execute(
        _SAVE,
        {
            "site_id": site_id,
            "service": answer.service,
            "url": url_without_key(answer.url),
            "fetched_utc": answer.fetched_utc,
            "status": answer.status,
            "headers": json.dumps({k: v for k, v in headers.items() if k not in SECRET_HEADERS}, sort_keys=True),
            "body_gzip": gzip.compress(answer.body, GZIP_LEVEL, mtime=0),
            "body_bytes": len(answer.body),
            "body_sha256": hashlib.sha256(answer.body).hexdigest(),
        },
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


_RECENT = (
    sa.select(schema.answer.c.id, schema.answer.c.service, schema.answer.c.fetched_utc)
    .where(schema.answer.c.site_id == sa.bindparam("site_id"), schema.answer.c.status.in_(GOOD))
    .where(schema.answer.c.rejected.is_(None), schema.answer.c.fetched_utc <= sa.bindparam("until"))
    .where(sa.or_(schema.answer.c.fetched_utc >= sa.bindparam("since"), schema.answer.c.service.like("%/%")))
    .order_by(schema.answer.c.fetched_utc.desc(), schema.answer.c.id.desc())
)
_BY_ID = sa.select(schema.answer).where(schema.answer.c.id.in_(sa.bindparam("ids", expanding=True)))


def recent_answers(
    connection: sa.Connection, site_id: str, *, since_utc: datetime, until_utc: datetime
) -> tuple[StoredAnswer, ...]:
    """Return a site's good answers between two moments, newest first: of each service the last of every UTC day.

    After them the last answer of each service that says where the place lies, however old.
    """
    asked = {"site_id": site_id, "since": since_utc, "until": until_utc}
    found = connection.execute(_RECENT, asked).all()
    if not found:
        return ()
    wanted: dict[tuple[str, object], int] = {}
    for row in sorted(found, key=lambda row: "/" in row.service):
        wanted.setdefault((row.service, None if "/" in row.service else row.fetched_utc.date()), row.id)
    rows = {row.id: row for row in connection.execute(_BY_ID, {"ids": list(wanted.values())})}
    return tuple(_answer(rows[number]) for number in wanted.values())


def thin_answers(store: sa.Engine, *, now_utc: datetime, keep_days: float) -> Iterator[int]:
    """Delete old answers that nothing needs, a few in each transaction, and give how many after each.

    Kept are: every answer that a run used; every answer of the last keep_days days, the rejected ones too; of older
    ones the last good answer of each site, service and UTC day; and the last that says where a place lies.
    """
    kept = schema.answer
    # Not "not in": over the runs of years PostgreSQL goes through all of them for each answer.
    is_used = sa.exists().where(schema.run.c.answer_id == kept.c.id)
    with schema.read(store) as connection:
        gone = _not_needed(connection, now_utc - timedelta(days=keep_days), is_used)
    for first in range(0, len(gone), DELETED_AT_ONCE):
        part = gone[first : first + DELETED_AT_ONCE]
        with schema.begin(store) as connection:  # asked again: a run may have taken one in the meantime
            connection.execute(sa.delete(kept).where(kept.c.id.in_(part), ~is_used))
        yield len(part)


def _not_needed(connection: sa.Connection, before_utc: datetime, is_used: sa.Exists) -> list[int]:
    """Return the numbers of old answers that nothing needs."""
    kept = schema.answer
    old = connection.execute(
        sa.select(kept.c.id, kept.c.site_id, kept.c.service, kept.c.fetched_utc, kept.c.status, kept.c.rejected)
        .where(kept.c.fetched_utc < before_utc, ~is_used)
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
    return gone


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
