"""The outbox: mails wait here, are held by lease while one worker delivers them, and keep their outcome.

States: waiting -> sent | expired (deadline passed) | refused (for good, by the server) | set_aside (a dead letter: our
own fault, or it killed its worker again and again) | withdrawn (its reader was removed, or one mail to the operator
tells what many did). A mail is never deleted.

A worker that dies leaves its lease behind; when that runs out, another takes the mail. Marks are set by id and only by
the worker that still holds the lease, so one that was away too long changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import sqlalchemy as sa

from gonogo.store import alive, leases, operator_hour, replies, schema
from gonogo.store.clock import judged_utc
from gonogo.store.many_rows import insert_new_rows
from gonogo.store.owner import IsDead
from gonogo.store.queued import Envelope, Fallback, Queued
from gonogo.store.schema import message, message_raw

LEASE_S = 600.0
_INSERT_RAW = sa.insert(message_raw)
CREW_KINDS = ("morning", "recheck", "notice", "score")


def put(
    connection: sa.Connection,
    envelopes: Iterable[Envelope],
    *,
    now_utc: datetime,
    waits_for_others: bool = True,
    tells: bool = True,
) -> int:
    """Put mails into the outbox, in the caller's transaction, and return how many are new.

    A Message-ID that is already there is left as it is, whatever became of it: a repeated run sends nothing twice.
    Whoever wrote "stop" is put no mail of a crew. A mail to the operator waits for others of its kind, to be told
    together (operator_hour.py); not so where waits_for_others is False.

    tells   wakes the other services; not for whoever delivers at once himself: PostgreSQL commits what tells of
            something one after the other, 190 to 260 a second where it else takes 2,000
    """
    wanted = list(envelopes)
    judged = judged_utc(connection, now_utc)
    stopped = replies.stopped(connection, {e.address for e in wanted if e.kind in CREW_KINDS})
    new: dict[str, Envelope] = {}
    for envelope in wanted:
        if envelope.kind in CREW_KINDS and envelope.address.lower() in stopped:
            continue
        if envelope.kind == operator_hour.KIND and waits_for_others:
            held_utc = operator_hour.held_until_utc(envelope.deadline_utc, judged)
            new.setdefault(envelope.message_id, replace(envelope, send_utc=held_utc))
        else:
            new.setdefault(envelope.message_id, envelope)
    n_new = _put(connection, list(new.values()), judged)
    if n_new and tells:
        alive.tell(connection, alive.MAILS)
    return n_new


def _put(connection: sa.Connection, envelopes: Sequence[Envelope], judged: datetime) -> int:
    """Put mails whose Message-IDs differ by one statement, their bodies by another; return how many are new."""
    if not envelopes:
        return 0
    rows = [
        {
            "message_id": envelope.message_id,
            "run_id": envelope.run_id,
            "site_id": envelope.site_id,
            "crew_id": envelope.crew_id,
            "kind": envelope.kind,
            "role": envelope.role,
            "name": envelope.name,
            "address": envelope.address,
            "language": envelope.language,
            "subject": envelope.subject,
            "put_utc": judged,
            "deadline_utc": envelope.deadline_utc,
            "state": "waiting",
            "next_try_utc": envelope.send_utc or judged,
            "n_tries": 0,
            "n_crashes": 0,
            "last_error": "",
        }
        for envelope in envelopes
    ]
    new = insert_new_rows(connection, message, rows, unique=("message_id",), returned=("id", "message_id"))
    raw_of = {envelope.message_id: envelope.raw for envelope in envelopes}
    bodies = [{"message": row.id, "raw": raw_of[row.message_id]} for row in new]
    if bodies:
        connection.execute(_INSERT_RAW, bodies)
    return len(bodies)


def lease(
    store: sa.Engine, *, now_utc: datetime, owner: str, lease_s: float = LEASE_S, limit: int = 1
) -> tuple[Queued, ...]:
    """Take up to `limit` due messages for this owner until now + lease_s; return them, the next deadline first.

    No other worker can take them meanwhile. A lease that ran out without an outcome counts as a crash of its worker.
    """
    with schema.begin(store) as connection:
        judged = judged_utc(connection, now_utc)
        return leases.taken(connection, now_utc=judged, owner=owner, lease_s=lease_s, limit=limit)


def count_due(store: sa.Engine, *, now_utc: datetime, most: int) -> int:
    """Return how many messages may be leased now, at most so many."""
    with schema.read(store) as connection:
        due = leases.FREE.limit(most).subquery()
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
        if not leases.settle(connection, queued, state="sent", now_utc=judged, error=""):
            _settle_sent(connection, [queued.message_id], now_utc=judged)
        return leases.taken(connection, now_utc=judged, owner=owner, lease_s=lease_s, limit=1)


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
    with schema.look(store) as connection:
        judged = judged_utc(connection, now_utc)
        until_utc: datetime | None = connection.scalar(leases.LEASED_UNTIL, leases.is_held(queued))
    if until_utc is None:
        return False
    if until_utc >= judged + timedelta(seconds=least_s):
        return True
    with schema.begin(store) as connection:
        renewed_until = judged + timedelta(seconds=lease_s)
        return connection.execute(leases.held(queued).values(lease_until_utc=renewed_until)).rowcount == 1


def sent(store: sa.Engine, queued: Queued, *, now_utc: datetime) -> bool:
    """Mark a leased message as sent. False where the lease is no longer ours."""
    with schema.begin(store) as connection:
        return leases.settle(connection, queued, state="sent", now_utc=now_utc, error="")


def failed(store: sa.Engine, queued: Queued, *, retry_utc: datetime, error: str, is_our_fault: bool = False) -> bool:
    """Give a leased message back after a passing fault, to be tried again from retry_utc. False if no longer ours.

    is_our_fault   counts as a crash: after MAX_CRASHES of them the mail is a dead letter
    """
    with schema.begin(store) as connection:
        changed = connection.execute(
            leases.held(queued).values(
                lease_owner=None,
                lease_until_utc=None,
                next_try_utc=judged_utc(connection, retry_utc),
                n_crashes=message.c.n_crashes + int(is_our_fault),
                last_error=leases.plain(error),
            )
        )
        return changed.rowcount == 1


def refused(store: sa.Engine, queued: Queued, *, now_utc: datetime, error: str, tell: Fallback | None = None) -> bool:
    """Mark a leased message as refused for good; what `tell` makes of it is put in the same transaction."""
    with schema.begin(store) as connection:
        is_done = leases.settle(connection, queued, state="refused", now_utc=now_utc, error=error)
        if is_done:
            put_fallbacks(
                connection, (replace(queued, state="refused", last_error=leases.plain(error)),), tell, now_utc=now_utc
            )
        return is_done


def settle_sent(store: sa.Engine, message_ids: Iterable[str], *, now_utc: datetime) -> int:
    """Mark messages as sent, whoever holds them: for mails that went but whose mark could not be stored then."""
    wanted = list(message_ids)
    with schema.begin(store) as connection:
        return _settle_sent(connection, wanted, now_utc=now_utc)


def _settle_sent(connection: sa.Connection, message_ids: list[str], *, now_utc: datetime) -> int:
    """Mark messages as sent, whoever holds them."""
    changed = connection.execute(
        sa.update(message)
        .where(message.c.message_id.in_(message_ids), message.c.state == "waiting")
        .values(state="sent", settled_utc=now_utc, lease_owner=None, lease_until_utc=None, last_error="")
    )
    return changed.rowcount


def put_fallbacks(
    connection: sa.Connection, settled: Iterable[Queued], make: Fallback | None, *, now_utc: datetime
) -> None:
    """Put what `make` makes of each mail that will not go out, in the caller's transaction."""
    if make is not None:
        put(connection, [made for queued in settled for made in make(queued)], now_utc=now_utc)
