"""Mails to the operator about one kind of fault: the first few of an hour go at once, the others together at its end.

A kind is what the subject begins with, up to the first dash: notices.to_operator writes site and date behind it.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

import sqlalchemy as sa

from gonogo.store.clock import judged_utc
from gonogo.store.queued import Queued
from gonogo.store.schema import message, message_raw

ALONE = 3  # mails of one kind and hour that go by themselves; our own choice
KIND = "operator"
AT_ONCE = 10_000
DASH = " - "


def kind_of(subject: str) -> str:
    """Return what kind of fault a mail is about, as its subject says it."""
    return subject.partition(DASH)[0]


def held_until_utc(connection: sa.Connection, subject: str, judged: datetime) -> datetime | None:
    """Return until when a mail waits for others of its kind, None where it goes at once."""
    hour_utc = judged.replace(minute=0, second=0, microsecond=0)
    begins = message.c.subject.startswith(kind_of(subject) + DASH, autoescape=True)
    same = sa.select(message.c.id).where(message.c.kind == KIND, begins, message.c.next_try_utc >= hour_utc)
    # By state first: that is what an index knows.
    for states in (("waiting",), ("sent", "refused")):
        if len(connection.scalars(same.where(message.c.state.in_(states)).limit(ALONE)).all()) >= ALONE:
            return hour_utc + timedelta(hours=1)
    return None


def taken(connection: sa.Connection, *, now_utc: datetime, at_once: bool) -> tuple[Queued, ...]:
    """Return mails to the operator that waited for the end of their hour, for the caller's transaction alone.

    at_once   those too that wait for it yet
    """
    waiting = _waiting(connection, now_utc=now_utc, at_once=at_once)
    query = sa.select(message, message_raw.c.raw).join(message_raw).where(*waiting)
    query = query.order_by(message.c.id).limit(AT_ONCE).with_for_update(skip_locked=True, of=message)
    return tuple(Queued(**row._mapping) for row in connection.execute(query))


def n_waiting(connection: sa.Connection, *, now_utc: datetime, at_once: bool) -> int:
    """Return how many such mails there are."""
    waiting = _waiting(connection, now_utc=now_utc, at_once=at_once)
    return connection.scalar(sa.select(sa.func.count()).select_from(message).where(*waiting)) or 0


def _waiting(connection: sa.Connection, *, now_utc: datetime, at_once: bool) -> tuple[sa.ColumnElement[bool], ...]:
    judged = judged_utc(connection, now_utc)
    untried = (message.c.state == "waiting", message.c.kind == KIND, message.c.lease_owner.is_(None))
    held = (message.c.n_tries == 0, message.c.next_try_utc > message.c.put_utc, message.c.deadline_utc > judged)
    return (*untried, *held, sa.true() if at_once else message.c.next_try_utc <= judged)


def replaced(connection: sa.Connection, mails: Iterable[Queued], by: str, *, now_utc: datetime) -> None:
    """Withdraw mails that another says too. by: its Message-ID."""
    values = {"state": "withdrawn", "settled_utc": judged_utc(connection, now_utc), "last_error": f"told by {by}"}
    ids = [queued.id for queued in mails]
    connection.execute(sa.update(message).where(message.c.id.in_(ids)).values(**values))


def let_go(connection: sa.Connection, waiting: Iterable[Queued], *, now_utc: datetime) -> None:
    """Let mails go that wait for the end of their hour."""
    ids = [queued.id for queued in waiting]
    judged = judged_utc(connection, now_utc)
    connection.execute(sa.update(message).where(message.c.id.in_(ids)).values(next_try_utc=judged))
