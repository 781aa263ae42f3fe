"""The outbox: mails wait here, are held by lease while one worker delivers them, and keep their outcome.

States: waiting -> sent | expired (deadline passed) | refused (for good, by the server) | set_aside (our own fault, or
it killed its worker again and again) | withdrawn (its reader was removed). A message is never deleted.

A worker that dies leaves its lease behind; when that runs out, another worker takes the message. Marks are set by
id and only by the worker that still holds the lease, so a worker that was away too long changes nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa

from gonogo.store import schema
from gonogo.store.owner import IsDead
from gonogo.store.schema import message, message_raw

LEASE_S = 600.0
MAX_CRASHES = 5
SWEEP_LIMIT = 1000
STATES = ("waiting", "sent", "expired", "refused", "set_aside", "withdrawn")


@dataclass(frozen=True, slots=True, kw_only=True)
class OutMessage:
    """One mail to one person, ready to send.

    message_id    stable: the same mail made again has the same one, and is then put only once
    kind          what it is for: "morning", "later_look", "notice", "operator"
    raw           the whole mail as bytes, CRLF line ends
    deadline_utc  after this it is useless and is not sent any more
    send_utc      not before this; None = at once
    """

    message_id: str
    site_id: str
    crew_id: str
    kind: str
    role: str
    name: str
    address: str
    subject: str
    raw: bytes = field(repr=False)
    deadline_utc: datetime
    language: str = "en"
    send_utc: datetime | None = None
    run_id: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Queued:
    """A message as it stands in the outbox.

    n_tries   counts leases, this one included
    raw       the mail itself where it was leased to be sent, b"" elsewhere: see raw_of
    """

    id: int
    message_id: str
    run_id: int | None
    site_id: str
    crew_id: str
    kind: str
    role: str
    name: str
    address: str
    language: str
    subject: str
    put_utc: datetime
    deadline_utc: datetime
    state: str
    next_try_utc: datetime
    n_tries: int
    n_crashes: int
    lease_owner: str | None
    lease_until_utc: datetime | None
    settled_utc: datetime | None
    last_error: str
    raw: bytes = field(default=b"", repr=False)


# Makes what goes out because a message will not: a short notice to its reader, a word to the operator, or nothing.
Instead = Callable[[Queued], Iterable[OutMessage]]


def put(connection: sa.Connection, messages: Iterable[OutMessage], *, now_utc: datetime) -> int:
    """Put messages into the outbox, in the caller's transaction, and return how many are new.

    A Message-ID that is already there is left as it is, whatever became of it: a repeated run sends nothing twice.
    """
    n_new = 0
    for one in messages:
        statement = schema.insert_new(connection, message, ["message_id"]).values(
            message_id=one.message_id,
            run_id=one.run_id,
            site_id=one.site_id,
            crew_id=one.crew_id,
            kind=one.kind,
            role=one.role,
            name=one.name,
            address=one.address,
            language=one.language,
            subject=one.subject,
            put_utc=now_utc,
            deadline_utc=one.deadline_utc,
            state="waiting",
            next_try_utc=one.send_utc or now_utc,
            n_tries=0,
            n_crashes=0,
            last_error="",
        )
        new_id = connection.scalar(statement.returning(message.c.id))
        if new_id is not None:
            connection.execute(sa.insert(message_raw).values(message=new_id, raw=one.raw))
            n_new += 1
    return n_new


def lease(
    store: sa.Engine, *, now_utc: datetime, owner: str, lease_s: float = LEASE_S, limit: int = 1
) -> tuple[Queued, ...]:
    """Take up to `limit` due messages for this owner until now + lease_s; return them, longest due first.

    No other worker can take them meanwhile. A lease that ran out without an outcome counts as a crash of its worker.
    """
    with schema.begin(store) as connection:
        return _leased(connection, now_utc=now_utc, owner=owner, lease_s=lease_s, limit=limit)


def sent_and_next(
    store: sa.Engine, one: Queued, *, now_utc: datetime, owner: str, lease_s: float = LEASE_S
) -> tuple[Queued, ...]:
    """Mark a message as sent, whoever holds it now, and take the next due one, in one transaction.

    The mail has gone: where the lease ran out meanwhile it is marked all the same, and nobody sends it again.
    """
    with schema.begin(store) as connection:
        if not _settle(connection, one, state="sent", now_utc=now_utc, error=""):
            _settle_sent(connection, [one.message_id], now_utc=now_utc)
        return _leased(connection, now_utc=now_utc, owner=owner, lease_s=lease_s, limit=1)


def release_dead(store: sa.Engine, *, now_utc: datetime, is_dead: IsDead) -> int:
    """Let go of what is held by processes that are known to be dead, and return how many messages that were.

    They need not wait for the lease to run out. The next lease counts the crash, as it does for one that ran out.
    """
    held = (message.c.state == "waiting", message.c.lease_owner.is_not(None), message.c.lease_until_utc > now_utc)
    with schema.read(store) as connection:
        owners = connection.scalars(sa.select(message.c.lease_owner).where(*held).distinct()).all()
    dead = [owner for owner in owners if owner is not None and is_dead(owner)]
    if not dead:
        return 0
    with schema.begin(store) as connection:
        released = sa.update(message).where(*held, message.c.lease_owner.in_(dead)).values(lease_until_utc=now_utc)
        return connection.execute(released).rowcount


def sent(store: sa.Engine, one: Queued, *, now_utc: datetime) -> bool:
    """Mark a leased message as sent. False where the lease is no longer ours."""
    with schema.begin(store) as connection:
        return _settle(connection, one, state="sent", now_utc=now_utc, error="")


def failed(store: sa.Engine, one: Queued, *, retry_utc: datetime, error: str, is_our_fault: bool = False) -> bool:
    """Give a leased message back after a passing fault, to be tried again from retry_utc. False if no longer ours.

    is_our_fault   counts as a crash: after MAX_CRASHES of them the message is set aside
    """
    with schema.begin(store) as connection:
        changed = connection.execute(
            _held(one).values(
                lease_owner=None,
                lease_until_utc=None,
                next_try_utc=retry_utc,
                n_crashes=message.c.n_crashes + int(is_our_fault),
                last_error=_plain(error),
            )
        )
        return changed.rowcount == 1


def refused(store: sa.Engine, one: Queued, *, now_utc: datetime, error: str, tell: Instead | None = None) -> bool:
    """Mark a leased message as refused for good; what `tell` makes of it is put in the same transaction."""
    with schema.begin(store) as connection:
        is_done = _settle(connection, one, state="refused", now_utc=now_utc, error=error)
        if is_done:
            _put_made(connection, (replace(one, state="refused", last_error=_plain(error)),), tell, now_utc=now_utc)
        return is_done


def expire(store: sa.Engine, *, now_utc: datetime, instead: Instead | None = None) -> tuple[Queued, ...]:
    """Expire what is past its deadline and not being delivered at this moment; return it.

    instead   makes the short notice that goes out instead, put in the same transaction
    """
    past = (message.c.deadline_utc <= now_utc,)
    return _sweep(store, past, state="expired", now_utc=now_utc, make=instead)


def set_aside(store: sa.Engine, *, now_utc: datetime, tell: Instead | None = None) -> tuple[Queued, ...]:
    """Set aside what failed by our own fault, or killed its worker, MAX_CRASHES times; return it (at most SWEEP_LIMIT).

    A lease that has run out counts once more here, so that a deadly message is not taken a last time.
    """
    died = sa.case((message.c.lease_owner.is_not(None), 1), else_=0)
    deadly = (message.c.n_crashes + died >= MAX_CRASHES,)
    return _sweep(store, deadly, state="set_aside", now_utc=now_utc, make=tell)


def settle_sent(store: sa.Engine, message_ids: Iterable[str], *, now_utc: datetime) -> int:
    """Mark messages as sent, whoever holds them: for mails that went but whose mark could not be stored then."""
    wanted = list(message_ids)
    if not wanted:
        return 0
    with schema.begin(store) as connection:
        return _settle_sent(connection, wanted, now_utc=now_utc)


def counts(
    connection: sa.Connection, *, now_utc: datetime, site_id: str | None = None, since_utc: datetime | None = None
) -> dict[str, int]:
    """Return the number of messages by state, with "leased" (being delivered now) taken out of "waiting"."""
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
    states: Iterable[str] = STATES,
    limit: int = 1000,
) -> tuple[Queued, ...]:
    """Return messages with what became of each, newest first."""
    query = sa.select(message).where(message.c.state.in_(list(states)))
    if site_id is not None:
        query = query.where(message.c.site_id == site_id)
    if run_id is not None:
        query = query.where(message.c.run_id == run_id)
    if since_utc is not None:
        query = query.where(message.c.put_utc >= since_utc)
    query = query.order_by(message.c.put_utc.desc(), message.c.id.desc()).limit(limit)
    return tuple(_queued(row) for row in connection.execute(query))


def raw_of(connection: sa.Connection, message_id: str) -> bytes | None:
    """Return a mail as it was put, or None where there is none under this Message-ID."""
    query = sa.select(message_raw.c.raw).join(message).where(message.c.message_id == message_id)
    return connection.scalar(query)


def _leased(
    connection: sa.Connection, *, now_utc: datetime, owner: str, lease_s: float, limit: int
) -> tuple[Queued, ...]:
    """Take due messages through a connection."""
    # Locked first and changed second: a row that a rival changed in between would be judged again by its new state.
    ids = connection.scalars(_DUE, {"now": now_utc, "most": limit}).all()
    if not ids:
        return ()
    until = now_utc + timedelta(seconds=lease_s)
    connection.execute(_TAKE, {"ids": ids, "owner": owner, "until": until})
    return tuple(_queued(row) for row in connection.execute(_TAKEN, {"ids": ids}))


def _settle_sent(connection: sa.Connection, message_ids: list[str], *, now_utc: datetime) -> int:
    """Mark messages as sent, whoever holds them."""
    changed = connection.execute(
        sa.update(message)
        .where(message.c.message_id.in_(message_ids), message.c.state == "waiting")
        .values(state="sent", settled_utc=now_utc, lease_owner=None, lease_until_utc=None, last_error="")
    )
    return changed.rowcount


def _is_free(now_utc: datetime) -> sa.ColumnElement[bool]:
    """Held by nobody, or by somebody whose lease has run out."""
    return sa.or_(message.c.lease_until_utc.is_(None), message.c.lease_until_utc <= now_utc)


# Made once: a statement made for each mail would take longer than the database does.
_NOW = sa.bindparam("now", type_=schema.UtcDateTime())
_DUE = (
    sa.select(message.c.id)
    .where(message.c.state == "waiting", message.c.next_try_utc <= _NOW)
    .where(message.c.deadline_utc > _NOW, message.c.n_crashes < MAX_CRASHES)
    .where(sa.or_(message.c.lease_until_utc.is_(None), message.c.lease_until_utc <= _NOW))
    .order_by(message.c.next_try_utc, message.c.id)
    .limit(sa.bindparam("most", type_=sa.Integer()))
    .with_for_update(skip_locked=True)
)
_TAKE = (
    sa.update(message)
    .where(message.c.id.in_(sa.bindparam("ids", expanding=True)))
    .values(
        lease_owner=sa.bindparam("owner"),
        lease_until_utc=sa.bindparam("until", type_=schema.UtcDateTime()),
        n_tries=message.c.n_tries + 1,
        n_crashes=message.c.n_crashes + sa.case((message.c.lease_owner.is_not(None), 1), else_=0),
    )
)
_TAKEN = (
    sa.select(message, message_raw.c.raw)
    .join(message_raw)
    .where(message.c.id.in_(sa.bindparam("ids", expanding=True)))
    .order_by(message.c.next_try_utc, message.c.id)
)


def _held(one: Queued) -> sa.Update:
    """An update that hits only while the lease is the one that `one` was given."""
    return sa.update(message).where(
        message.c.id == one.id,
        message.c.state == "waiting",
        message.c.lease_owner == one.lease_owner,
        message.c.n_tries == one.n_tries,
    )


def _settle(connection: sa.Connection, one: Queued, *, state: str, now_utc: datetime, error: str) -> bool:
    """Give a held message its final state."""
    values: dict[str, Any] = {"state": state, "settled_utc": now_utc, "last_error": _plain(error)}
    changed = connection.execute(_held(one).values(lease_owner=None, lease_until_utc=None, **values))
    return changed.rowcount == 1


def _sweep(
    store: sa.Engine,
    which: tuple[sa.ColumnElement[bool], ...],
    *,
    state: str,
    now_utc: datetime,
    make: Instead | None,
) -> tuple[Queued, ...]:
    """Move free waiting messages that meet a condition to a final state, putting what `make` makes of each."""
    with schema.begin(store) as connection:
        found = connection.execute(
            sa.select(message)
            .where(message.c.state == "waiting", _is_free(now_utc), *which)
            .order_by(message.c.id)
            .limit(SWEEP_LIMIT)
            .with_for_update(skip_locked=True)
        ).all()
        swept = tuple(replace(_queued(row), state=state) for row in found)
        if swept:
            connection.execute(
                sa.update(message)
                .where(message.c.id.in_([one.id for one in swept]))
                .values(state=state, settled_utc=now_utc, lease_owner=None, lease_until_utc=None)
            )
            _put_made(connection, swept, make, now_utc=now_utc)
        return swept


def _put_made(connection: sa.Connection, settled: Iterable[Queued], make: Instead | None, *, now_utc: datetime) -> None:
    """Put what `make` makes of each message that will not go out."""
    if make is not None:
        put(connection, [made for one in settled for made in make(one)], now_utc=now_utc)


def _plain(error: str) -> str:
    """An error text as PostgreSQL can hold it, and not without end."""
    return error.replace("\x00", "")[:4000]


def _queued(row: sa.Row[Any]) -> Queued:
    return Queued(**row._mapping)
