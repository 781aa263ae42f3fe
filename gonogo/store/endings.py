"""Mails that will not go out: too late, or given up as dead letters; and what goes out in their place."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime

import sqlalchemy as sa

from gonogo.store import schema
from gonogo.store.clock import judged_utc
from gonogo.store.leases import MAX_CRASHES, queued_of
from gonogo.store.outbox import put_fallbacks
from gonogo.store.queued import Fallback, Queued
from gonogo.store.schema import message

SWEEP_LIMIT = 1000
KILLED_TEXT = f"each of the {MAX_CRASHES} workers that took it died over it"


def expire(store: sa.Engine, *, now_utc: datetime, fallback: Fallback | None = None) -> tuple[Queued, ...]:
    """Expire what is past its deadline and not being delivered at this moment; return it.

    fallback   makes the short notice that goes out in its place, put in the same transaction
    """

    def past(judged: datetime) -> sa.ColumnElement[bool]:
        return message.c.deadline_utc <= judged

    return _sweep(store, past, state="expired", now_utc=now_utc, make=fallback)


def dead_letters(store: sa.Engine, *, now_utc: datetime, tell: Fallback | None = None) -> tuple[Queued, ...]:
    """Give up what failed by our own fault, or killed its worker, MAX_CRASHES times; return it (at most SWEEP_LIMIT).

    A lease that has run out counts once more here, so that a deadly mail is not taken a last time.
    """
    died = sa.case((message.c.lease_owner.is_not(None), 1), else_=0)
    deadly = message.c.n_crashes + died >= MAX_CRASHES
    return _sweep(store, lambda _: deadly, state="set_aside", now_utc=now_utc, make=tell, unsaid=KILLED_TEXT)


def _is_free(judged: datetime) -> sa.ColumnElement[bool]:
    """Held by nobody, or by somebody whose lease has run out."""
    return sa.or_(message.c.lease_until_utc.is_(None), message.c.lease_until_utc <= judged)


def _sweep(
    store: sa.Engine,
    which: Callable[[datetime], sa.ColumnElement[bool]],
    *,
    state: str,
    now_utc: datetime,
    make: Fallback | None,
    unsaid: str = "",
) -> tuple[Queued, ...]:
    """Move free waiting mails that meet a condition to a final state, putting what `make` makes of each."""
    with schema.begin(store) as connection:
        judged = judged_utc(connection, now_utc)
        found = connection.execute(
            sa.select(message)
            .where(message.c.state == "waiting", _is_free(judged), which(judged))
            .order_by(message.c.id)
            .limit(SWEEP_LIMIT)
            .with_for_update(skip_locked=True)
        ).all()
        swept = tuple(replace(queued_of(row), state=state, last_error=row.last_error or unsaid) for row in found)
        if swept:
            connection.execute(
                sa.update(message)
                .where(message.c.id.in_([queued.id for queued in swept]))
                .values(state=state, settled_utc=judged, lease_owner=None, lease_until_utc=None)
                .values(last_error=sa.case((message.c.last_error == "", unsaid), else_=message.c.last_error))
            )
            put_fallbacks(connection, swept, make, now_utc=now_utc)
        return swept
