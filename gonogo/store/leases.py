"""Leases of the outbox: whose a mail is while it is delivered, and the mark of what became of it.

The statements are made once: one made for each mail would take longer than the database does.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa

from gonogo.store.moment import UtcDateTime
from gonogo.store.operator_hour import HELD
from gonogo.store.queued import Queued
from gonogo.store.schema import message, message_raw

MAX_CRASHES = 5

_NOW = sa.bindparam("now", type_=UtcDateTime())
FREE = (
    sa.select(message.c.id)
    .where(message.c.state == "waiting", message.c.next_try_utc <= _NOW)
    .where(message.c.deadline_utc > _NOW, message.c.n_crashes < MAX_CRASHES)
    .where(sa.or_(message.c.lease_until_utc.is_(None), message.c.lease_until_utc <= _NOW), sa.not_(HELD))
)
# Locked first and changed second: a row that a rival changed in between would be judged again by its new state.
# How many stands in the statement itself: a plan made for any number reads the whole table.
_DUE = (
    FREE.order_by(message.c.deadline_utc, message.c.next_try_utc, message.c.id)
    .limit(sa.bindparam("most", type_=sa.Integer(), literal_execute=True))
    .with_for_update(skip_locked=True)
    .cte("due")
)
_RAW = sa.select(message_raw.c.raw).where(message_raw.c.message == message.c.id).scalar_subquery()
_TAKE = (
    sa.update(message)
    .where(message.c.id.in_(sa.select(_DUE.c.id)))
    .values(
        lease_owner=sa.bindparam("owner"),
        lease_until_utc=sa.bindparam("until", type_=UtcDateTime()),
        n_tries=message.c.n_tries + 1,
        n_crashes=message.c.n_crashes + sa.case((message.c.lease_owner.is_not(None), 1), else_=0),
    )
    .returning(message, _RAW.label("raw"))
)


# What hits only while a lease is the one that was given.
_IS_HELD = (
    message.c.id == sa.bindparam("held_id"),
    message.c.state == "waiting",
    message.c.lease_owner == sa.bindparam("held_by"),
    message.c.n_tries == sa.bindparam("held_tries"),
)
LEASED_UNTIL = sa.select(message.c.lease_until_utc).where(*_IS_HELD)
_SETTLE = (
    sa.update(message)
    .where(*_IS_HELD)
    .values(
        state=sa.bindparam("final"),
        settled_utc=sa.bindparam("settled", type_=UtcDateTime()),
        last_error=sa.bindparam("said"),
        lease_owner=None,
        lease_until_utc=None,
    )
)


def is_held(queued: Queued) -> dict[str, object]:
    """What _IS_HELD asks for."""
    return {"held_id": queued.id, "held_by": queued.lease_owner, "held_tries": queued.n_tries}


def held(queued: Queued) -> sa.Update:
    """An update that hits only while the lease is the one that was given."""
    return sa.update(message).where(
        message.c.id == queued.id,
        message.c.state == "waiting",
        message.c.lease_owner == queued.lease_owner,
        message.c.n_tries == queued.n_tries,
    )


def settle(connection: sa.Connection, queued: Queued, *, state: str, now_utc: datetime, error: str) -> bool:
    """Give a held message its final state."""
    final = {"final": state, "settled": now_utc, "said": plain(error)}
    return connection.execute(_SETTLE, is_held(queued) | final).rowcount == 1


def taken(
    connection: sa.Connection, *, now_utc: datetime, owner: str, lease_s: float, limit: int
) -> tuple[Queued, ...]:
    """Take due messages through a connection, and return them, the next deadline first."""
    until = now_utc + timedelta(seconds=lease_s)
    found = connection.execute(_TAKE, {"now": now_utc, "most": limit, "owner": owner, "until": until})
    return tuple(sorted(map(queued_of, found), key=lambda mail: (mail.deadline_utc, mail.next_try_utc, mail.id)))


def plain(error: str) -> str:
    """An error text as PostgreSQL can hold it, and not without end."""
    return error.replace("\x00", "")[:4000]


def queued_of(row: sa.Row[Any]) -> Queued:
    """Return a row of the table as a record."""
    return Queued(**row._mapping)
