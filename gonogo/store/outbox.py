"""The outbox: mails wait here, are held by lease while one worker delivers them, and keep their outcome.

States: waiting -> sent | expired (deadline passed) | refused (for good, by the server) | set_aside (a dead letter: our
own fault, or it killed its worker again and again) | withdrawn (its reader was removed, or one mail to the operator
tells what many did). A mail is never deleted.

A worker that dies leaves its lease behind; when that runs out, another takes the mail. Marks are set by id and only by
the worker that still holds the lease, so one that was away too long changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any, TypeVar

import sqlalchemy as sa

from gonogo.store import alive, operator_hour, replies, schema
from gonogo.store.clock import judged_utc
from gonogo.store.moment import UtcDateTime
from gonogo.store.owner import IsDead
from gonogo.store.queued import Envelope, Fallback, Queued
from gonogo.store.schema import message, message_raw

LEASE_S = 600.0
MAX_CRASHES = 5
CREW_KINDS = ("morning", "recheck", "notice", "score")

HeldT = TypeVar("HeldT", sa.Update, sa.Select[Any])


def put(
    connection: sa.Connection, envelopes: Iterable[Envelope], *, now_utc: datetime, waits_for_hour: bool = True
) -> int:
    """Put mails into the outbox, in the caller's transaction, and return how many are new.

    A Message-ID that is already there is left as it is, whatever became of it: a repeated run sends nothing twice.
    Whoever wrote "stop" is put no mail of a crew. Of many mails to the operator about one kind of fault the later ones
    wait for the end of the hour, to be told together; not so where waits_for_hour is False.
    """
    n_new, judged, stopped = 0, judged_utc(connection, now_utc), replies.stopped(connection)
    for envelope in envelopes:
        if envelope.kind in CREW_KINDS and envelope.address.lower() in stopped:
            continue
        send_utc = envelope.send_utc
        if envelope.kind == operator_hour.KIND and waits_for_hour:
            send_utc = operator_hour.held_until_utc(connection, envelope.subject, judged)
        statement = schema.insert_new(connection, message, ["message_id"]).values(
            message_id=envelope.message_id,
            run_id=envelope.run_id,
            site_id=envelope.site_id,
            crew_id=envelope.crew_id,
            kind=envelope.kind,
            role=envelope.role,
            name=envelope.name,
            address=envelope.address,
            language=envelope.language,
            subject=envelope.subject,
            put_utc=judged,
            deadline_utc=envelope.deadline_utc,
            state="waiting",
            next_try_utc=send_utc or judged,
            n_tries=0,
            n_crashes=0,
            last_error="",
        )
        new_id = connection.scalar(statement.returning(message.c.id))
        if new_id is not None:
            connection.execute(sa.insert(message_raw).values(message=new_id, raw=envelope.raw))
            n_new += 1
    if n_new:
        alive.tell(connection, alive.MAILS)
    return n_new


def lease(
    store: sa.Engine, *, now_utc: datetime, owner: str, lease_s: float = LEASE_S, limit: int = 1
) -> tuple[Queued, ...]:
    """Take up to `limit` due messages for this owner until now + lease_s; return them, the next deadline first.

    No other worker can take them meanwhile. A lease that ran out without an outcome counts as a crash of its worker.
    """
    with schema.begin(store) as connection:
        judged = judged_utc(connection, now_utc)
        return _leased(connection, now_utc=judged, owner=owner, lease_s=lease_s, limit=limit)


def count_due(store: sa.Engine, *, now_utc: datetime, most: int = 10_000) -> int:
    """Return how many messages may be leased now, at most so many."""
    with schema.read(store) as connection:
        due = _FREE.limit(most).subquery()
        return (
            connection.scalar(sa.select(sa.func.count()).select_from(due), {"now": judged_utc(connection, now_utc)})
            or 0
        )


def sent_and_next(
    store: sa.Engine, queued: Queued, *, now_utc: datetime, owner: str, lease_s: float = LEASE_S
) -> tuple[Queued, ...]:
    """Mark a message as sent, whoever holds it now, and take the next due one, in one transaction.

    The mail has gone: where the lease ran out meanwhile it is marked all the same, and nobody sends it again.
    """
    with schema.begin(store) as connection:
        judged = judged_utc(connection, now_utc)
        if not _settle(connection, queued, state="sent", now_utc=judged, error=""):
            _settle_sent(connection, [queued.message_id], now_utc=judged)
        return _leased(connection, now_utc=judged, owner=owner, lease_s=lease_s, limit=1)


def release_dead(
    store: sa.Engine, *, now_utc: datetime, is_dead: IsDead, is_gone: IsDead = lambda _: False, gone_s: float = LEASE_S
) -> int:
    """Let go of what is held by processes that are known to be dead, and return how many mails that were.

    They need not wait for the lease to run out. The next lease counts the crash, as it does for one that ran out.

    is_gone   of whom the database has heard no more: it may be at its last mail yet, so that is let go after gone_s
    """
    with schema.read(store) as connection:
        judged = judged_utc(connection, now_utc)
        held = (message.c.state == "waiting", message.c.lease_owner.is_not(None), message.c.lease_until_utc > judged)
        owners = connection.scalars(sa.select(message.c.lease_owner).where(*held).distinct()).all()
    dead = [owner for owner in owners if owner is not None and is_dead(owner)]
    gone = [owner for owner in owners if owner is not None and owner not in dead and is_gone(owner)]
    if not dead and not gone:
        return 0
    with schema.begin(store) as connection:
        since = message.c.lease_until_utc <= judged + timedelta(seconds=LEASE_S - gone_s)
        theirs = sa.or_(message.c.lease_owner.in_(dead), sa.and_(message.c.lease_owner.in_(gone), since))
        return connection.execute(sa.update(message).where(*held, theirs).values(lease_until_utc=judged)).rowcount


def release_own(store: sa.Engine, owner: str, *, besides: Iterable[str]) -> int:
    """Give back what a worker has leased and is not at, as if it had never been tried; return how many mails.

    besides   Message-IDs of mails that have gone, and whose mark is still to be stored
    """
    held = (message.c.state == "waiting", message.c.lease_owner == owner)
    with schema.begin(store) as connection:
        ours = sa.select(message.c.id).where(*held, message.c.message_id.not_in(list(besides)))
        ids = connection.scalars(ours.with_for_update(skip_locked=True)).all()
        back = sa.update(message).where(message.c.id.in_(ids)).values(lease_owner=None, lease_until_utc=None)
        return connection.execute(back).rowcount if ids else 0


def renewed(store: sa.Engine, queued: Queued, *, now_utc: datetime, least_s: float, lease_s: float = LEASE_S) -> bool:
    """Return whether a leased mail is still this worker's for least_s; a lease that is nearly over is renewed first.

    A clock that was set, or a machine that slept, can end a lease while its worker is at work.
    """
    with schema.read(store) as connection:
        judged = judged_utc(connection, now_utc)
        until_utc: datetime | None = connection.scalar(_held_by(sa.select(message.c.lease_until_utc), queued))
    if until_utc is None:
        return False
    if until_utc >= judged + timedelta(seconds=least_s):
        return True
    with schema.begin(store) as connection:
        renewed_until = judged + timedelta(seconds=lease_s)
        return connection.execute(_held(queued).values(lease_until_utc=renewed_until)).rowcount == 1


def sent(store: sa.Engine, queued: Queued, *, now_utc: datetime) -> bool:
    """Mark a leased message as sent. False where the lease is no longer ours."""
    with schema.begin(store) as connection:
        return _settle(connection, queued, state="sent", now_utc=now_utc, error="")


def failed(store: sa.Engine, queued: Queued, *, retry_utc: datetime, error: str, is_our_fault: bool = False) -> bool:
    """Give a leased message back after a passing fault, to be tried again from retry_utc. False if no longer ours.

    is_our_fault   counts as a crash: after MAX_CRASHES of them the mail is a dead letter
    """
    with schema.begin(store) as connection:
        changed = connection.execute(
            _held(queued).values(
                lease_owner=None,
                lease_until_utc=None,
                next_try_utc=judged_utc(connection, retry_utc),
                n_crashes=message.c.n_crashes + int(is_our_fault),
                last_error=_plain(error),
            )
        )
        return changed.rowcount == 1


def refused(store: sa.Engine, queued: Queued, *, now_utc: datetime, error: str, tell: Fallback | None = None) -> bool:
    """Mark a leased message as refused for good; what `tell` makes of it is put in the same transaction."""
    with schema.begin(store) as connection:
        is_done = _settle(connection, queued, state="refused", now_utc=now_utc, error=error)
        if is_done:
            put_fallbacks(
                connection, (replace(queued, state="refused", last_error=_plain(error)),), tell, now_utc=now_utc
            )
        return is_done


def settle_sent(store: sa.Engine, message_ids: Iterable[str], *, now_utc: datetime) -> int:
    """Mark messages as sent, whoever holds them: for mails that went but whose mark could not be stored then."""
    wanted = list(message_ids)
    with schema.begin(store) as connection:
        return _settle_sent(connection, wanted, now_utc=now_utc)


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
    return tuple(queued_of(row) for row in connection.execute(_TAKEN, {"ids": ids}))


def _settle_sent(connection: sa.Connection, message_ids: list[str], *, now_utc: datetime) -> int:
    """Mark messages as sent, whoever holds them."""
    changed = connection.execute(
        sa.update(message)
        .where(message.c.message_id.in_(message_ids), message.c.state == "waiting")
        .values(state="sent", settled_utc=now_utc, lease_owner=None, lease_until_utc=None, last_error="")
    )
    return changed.rowcount


# Made once: a statement made for each mail would take longer than the database does.
_NOW = sa.bindparam("now", type_=UtcDateTime())
_FREE = (
    sa.select(message.c.id)
    .where(message.c.state == "waiting", message.c.next_try_utc <= _NOW)
    .where(message.c.deadline_utc > _NOW, message.c.n_crashes < MAX_CRASHES)
    .where(sa.or_(message.c.lease_until_utc.is_(None), message.c.lease_until_utc <= _NOW))
)
_DUE = (
    _FREE.order_by(message.c.deadline_utc, message.c.next_try_utc, message.c.id)
    .limit(sa.bindparam("most", type_=sa.Integer()))
    .with_for_update(skip_locked=True)
)
_TAKE = (
    sa.update(message)
    .where(message.c.id.in_(sa.bindparam("ids", expanding=True)))
    .values(
        lease_owner=sa.bindparam("owner"),
        lease_until_utc=sa.bindparam("until", type_=UtcDateTime()),
        n_tries=message.c.n_tries + 1,
        n_crashes=message.c.n_crashes + sa.case((message.c.lease_owner.is_not(None), 1), else_=0),
    )
)
_TAKEN = (
    sa.select(message, message_raw.c.raw)
    .join(message_raw)
    .where(message.c.id.in_(sa.bindparam("ids", expanding=True)))
    .order_by(message.c.deadline_utc, message.c.next_try_utc, message.c.id)
)


def _held(queued: Queued) -> sa.Update:
    """An update that hits only while the lease is the one that was given."""
    return _held_by(sa.update(message), queued)


def _held_by(statement: HeldT, queued: Queued) -> HeldT:
    return statement.where(
        message.c.id == queued.id,
        message.c.state == "waiting",
        message.c.lease_owner == queued.lease_owner,
        message.c.n_tries == queued.n_tries,
    )


def _settle(connection: sa.Connection, queued: Queued, *, state: str, now_utc: datetime, error: str) -> bool:
    """Give a held message its final state."""
    values: dict[str, Any] = {"state": state, "settled_utc": now_utc, "last_error": _plain(error)}
    changed = connection.execute(_held(queued).values(lease_owner=None, lease_until_utc=None, **values))
    return changed.rowcount == 1


def put_fallbacks(
    connection: sa.Connection, settled: Iterable[Queued], make: Fallback | None, *, now_utc: datetime
) -> None:
    """Put what `make` makes of each mail that will not go out, in the caller's transaction."""
    if make is not None:
        put(connection, [made for queued in settled for made in make(queued)], now_utc=now_utc)


def _plain(error: str) -> str:
    """An error text as PostgreSQL can hold it, and not without end."""
    return error.replace("\x00", "")[:4000]


def queued_of(row: sa.Row[Any]) -> Queued:
    """Return a row of the table as a record."""
    return Queued(**row._mapping)
