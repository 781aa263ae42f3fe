"""What became of the mails in the outbox."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

import sqlalchemy as sa

from gonogo.store.leases import queued_of
from gonogo.store.queued import Queued
from gonogo.store.schema import message, message_raw

STATES = ("waiting", "sent", "expired", "refused", "set_aside", "withdrawn")


def counts(
    connection: sa.Connection, *, now_utc: datetime, site_id: str | None = None, since_utc: datetime | None = None
) -> dict[str, int]:
    """Return the number of mails by state, with "leased" (being delivered now) taken out of "waiting"."""
    is_leased = sa.and_(message.c.state == "waiting", message.c.lease_until_utc > now_utc)
    shown = sa.case((is_leased, "leased"), else_=message.c.state)
    query = sa.select(shown, sa.func.count()).group_by(shown)
    if site_id is not None:
        query = query.where(message.c.site_id == site_id)
    if since_utc is not None:
        query = query.where(message.c.put_utc >= since_utc)
    found = {row[0]: row[1] for row in connection.execute(query)}
    return {state: found.get(state, 0) for state in ("leased", *STATES)}


def outcomes(
    connection: sa.Connection,
    *,
    site_id: str | None = None,
    run_id: int | None = None,
    since_utc: datetime | None = None,
    until_utc: datetime | None = None,
    states: Iterable[str] = STATES,
    limit: int = 1000,
) -> tuple[Queued, ...]:
    """Return mails put from since_utc on and before until_utc, with what became of each, newest first."""
    query = sa.select(message).where(message.c.state.in_(list(states)))
    if site_id is not None:
        query = query.where(message.c.site_id == site_id)
    if run_id is not None:
        query = query.where(message.c.run_id == run_id)
    if since_utc is not None:
        query = query.where(message.c.put_utc >= since_utc)
    if until_utc is not None:
        query = query.where(message.c.put_utc < until_utc)
    query = query.order_by(message.c.put_utc.desc(), message.c.id.desc()).limit(limit)
    return tuple(queued_of(row) for row in connection.execute(query))


def raw_of(connection: sa.Connection, message_id: str) -> bytes | None:
    """Return a mail as it was put, or None where there is none under this Message-ID."""
    query = sa.select(message_raw.c.raw).join(message).where(message.c.message_id == message_id)
    return connection.scalar(query)
