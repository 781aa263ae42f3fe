"""Answers to mails as they stand in the database: each mail once, whatever becomes of the mailbox."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import sqlalchemy as sa

from gonogo.store import schema
from gonogo.store.schema import address_event, inbox_poll, reply


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredReply:
    """One answer. record: what it said, as the room that reads answers keeps it."""

    id: int
    mail_key: str
    site_id: str
    address: str
    received_utc: datetime
    state: str
    record: Mapping[str, Any]
    recheck_day: date | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Poll:
    """When the mailbox was last read, when last without a fault, and the fault."""

    polled_utc: datetime
    good_utc: datetime | None
    fault: str


def begin_reply(
    connection: sa.Connection, *, mail_key: str, site_id: str, address: str, received_utc: datetime
) -> int | None:
    """Take an answer up, and return its number; None where it is known already. It is refused until settled."""
    statement = schema.insert_new(connection, reply, ["mail_key"]).values(
        mail_key=mail_key,
        site_id=site_id,
        address=address,
        received_utc=received_utc,
        state="refused",
        record="{}",
        is_answered=False,
    )
    found: int | None = connection.scalar(statement.returning(reply.c.id))
    return found


def settle_reply(
    connection: sa.Connection,
    number: int,
    *,
    state: str,
    record: Mapping[str, Any],
    is_answered: bool,
    recheck_day: date | None = None,
) -> None:
    """Note what became of an answer. recheck_day: the local date whose verdicts it may change."""
    connection.execute(
        sa.update(reply)
        .where(reply.c.id == number)
        .values(state=state, record=json.dumps(record), is_answered=is_answered, recheck_day=recheck_day)
    )


def known_state(connection: sa.Connection, mail_key: str) -> str | None:
    """Return what became of a mail, None where it was never taken up."""
    found: str | None = connection.scalar(sa.select(reply.c.state).where(reply.c.mail_key == mail_key))
    return found


def waiting(connection: sa.Connection, address: str, *, since_utc: datetime) -> tuple[StoredReply, ...]:
    """Return the answers of an address that wait for a yes, newest first, locked until the transaction ends."""
    query = (
        sa.select(reply)
        .where(reply.c.address == address, reply.c.state == "waiting", reply.c.received_utc >= since_utc)
        .order_by(reply.c.id.desc())
        .with_for_update()
    )
    return tuple(_stored(row) for row in connection.execute(query))


def answers_since(connection: sa.Connection, address: str, *, since_utc: datetime) -> int:
    """Return how many answers an address was written since a moment."""
    query = sa.select(sa.func.count()).where(
        reply.c.address == address, reply.c.is_answered, reply.c.received_utc >= since_utc
    )
    return connection.scalar(query) or 0


def recheck_wanted(connection: sa.Connection) -> tuple[StoredReply, ...]:
    """Return the answers whose strips are still to be looked at again, oldest first."""
    query = sa.select(reply).where(reply.c.recheck_day.is_not(None)).order_by(reply.c.id)
    return tuple(_stored(row) for row in connection.execute(query))


def recheck_done(connection: sa.Connection, numbers: Sequence[int]) -> None:
    """Note that the strips of some answers were looked at again, or that their day is over."""
    connection.execute(sa.update(reply).where(reply.c.id.in_(list(numbers))).values(recheck_day=None))


def note_address(connection: sa.Connection, address: str, what: str, *, at_utc: datetime, source_key: str) -> bool:
    """Note "stop", "start" or "bounce" of an address, once for each source; return whether it is new."""
    statement = schema.insert_new(connection, address_event, ["source_key"]).values(
        address=address, what=what, at_utc=at_utc, source_key=source_key
    )
    return connection.scalar(statement.returning(address_event.c.id)) is not None


_STOPS = (
    sa.select(address_event.c.address, address_event.c.what)
    .where(address_event.c.what.in_(("stop", "start")))
    .order_by(address_event.c.id)
)
_STOPS_AMONG = _STOPS.where(sa.func.lower(address_event.c.address).in_(sa.bindparam("among", expanding=True)))


def stopped(connection: sa.Connection, among: Collection[str] | None = None) -> frozenset[str]:
    """Return the addresses, in lower case, that want no more mails; among: only of these, None of all."""
    if among is not None and not among:
        return frozenset()
    if among is None:
        found = connection.execute(_STOPS)
    else:
        found = connection.execute(_STOPS_AMONG, {"among": sorted({address.lower() for address in among})})
    newest = {row.address.lower(): row.what for row in found}
    return frozenset(address for address, what in newest.items() if what == "stop")


def bounced(connection: sa.Connection, *, since_utc: datetime) -> Mapping[str, datetime]:
    """Return when the mails to an address last came back."""
    query = (
        sa.select(address_event.c.address, sa.func.max(address_event.c.at_utc))
        .where(address_event.c.what == "bounce", address_event.c.at_utc >= since_utc)
        .group_by(address_event.c.address)
    )
    return {row[0]: row[1] for row in connection.execute(query)}


def note_poll(connection: sa.Connection, *, polled_utc: datetime, fault: str) -> None:
    """Note that the mailbox was read, or why it could not be."""
    values = {"polled_utc": polled_utc, "fault": fault[:1000]} | ({} if fault else {"good_utc": polled_utc})
    if not connection.execute(sa.update(inbox_poll).where(inbox_poll.c.id == 1).values(**values)).rowcount:
        connection.execute(schema.insert_new(connection, inbox_poll, ["id"]).values(id=1, **values))


def last_poll(connection: sa.Connection) -> Poll | None:
    """Return when the mailbox was last read, None where it never was."""
    row = connection.execute(sa.select(inbox_poll).where(inbox_poll.c.id == 1)).first()
    return None if row is None else Poll(polled_utc=row.polled_utc, good_utc=row.good_utc, fault=row.fault)


def _stored(row: sa.Row[Any]) -> StoredReply:
    values = {name: value for name, value in row._mapping.items() if name != "is_answered"}
    values["record"] = json.loads(row.record)
    return StoredReply(**values)
