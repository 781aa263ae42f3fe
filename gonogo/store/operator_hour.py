"""Mails to the operator wait for others of their kind: a fault of a thousand sites is one mail, not a thousand.

Each waits TOGETHER; then all of its kind that came meanwhile are told as one. What comes within an HOUR of that is told
at its end, and where nothing comes nothing is told. A mail about the service itself never waits for the hour.

A kind is what the subject begins with, up to the first comma or dash: which run it was, site and date stand behind.

A mail that waits so is HELD: nobody leases it, so that none goes alone because a round of delivery has met it first.
Whoever puts them together (one service at a time, by a lock) withdraws them for the one that tells of them, or lets
them go.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import sqlalchemy as sa

from gonogo.store.clock import judged_utc
from gonogo.store.schema import message, message_raw

TOGETHER = timedelta(minutes=2)  # for which mails of one kind wait for each other; our own choice
HOUR = timedelta(hours=1)
KIND = "operator"
DASH, COMMA = " - ", ", "
ALL_SITES = "all sites"  # in place of a site's name in mails about the service itself
TOLD = ("waiting", "sent", "refused")
IDS_AT_ONCE = 1_000
_LOCK = 5_141_920_263  # any fixed number: whoever puts mails together meets here

# Put without a wait, or let go, a mail has both moments alike.
HELD = sa.and_(message.c.kind == KIND, message.c.n_tries == 0, message.c.next_try_utc != message.c.put_utc)
_WAITS = (message.c.state == "waiting", HELD, message.c.lease_owner.is_(None))


@dataclass(frozen=True, slots=True)
class Held:
    """A mail that waits to be told with others, without its bytes; fields as in Queued."""

    id: int
    message_id: str
    site_id: str
    subject: str
    put_utc: datetime
    deadline_utc: datetime


_COLUMNS = tuple(message.c[name] for name in Held.__slots__)


def kind_of(subject: str) -> str:
    """Return what kind of fault a mail is about, as its subject says it."""
    return subject.partition(DASH)[0].partition(COMMA)[0]


def held_until_utc(deadline_utc: datetime, judged: datetime) -> datetime:
    """Return until when a fresh mail waits for others of its kind: `judged` itself where its deadline is too near."""
    return max(judged, min(judged + TOGETHER, deadline_utc - TOGETHER))


def waits_for_hour(mail: Held) -> bool:
    """Whether a mail may wait for the end of an hour: not where it is about the service itself."""
    return DASH + ALL_SITES + DASH not in mail.subject


def is_due(connection: sa.Connection, *, now_utc: datetime, at_once: bool) -> bool:
    """Return whether any mail has waited long enough. at_once: whether any waits at all."""
    due = _due(judged_utc(connection, now_utc), at_once)
    return connection.execute(sa.select(message.c.id).where(*due).limit(1)).first() is not None


def taken(connection: sa.Connection, *, now_utc: datetime, at_once: bool) -> list[list[Held]]:
    """Return, kind by kind, the mails that are to be told now, in the order in which they came.

    They are the caller's until its transaction ends.

    Those of a kind that was told within the hour are put off to its end. at_once: none is.
    """
    if connection.dialect.name == "postgresql":
        connection.execute(sa.text("select pg_advisory_xact_lock(:number)"), {"number": _LOCK})
    judged = judged_utc(connection, now_utc)
    due: dict[str, list[Held]] = {}
    for mail in _locked(connection, *_due(judged, at_once)):
        due.setdefault(kind_of(mail.subject), []).append(mail)
    found = []
    for kind, mails in due.items():
        until_utc = judged if at_once else _told_until_utc(connection, mails, judged)
        if until_utc > judged:
            _set(connection, mails, next_try_utc=until_utc)
        else:
            found.append(_locked(connection, *_WAITS, _is_of(kind), message.c.deadline_utc > judged))
    return found


def first_bytes(connection: sa.Connection, mails: Sequence[Held]) -> Iterator[tuple[Held, bytes]]:
    """Give mails, IDS_AT_ONCE at most, with their bytes."""
    few = {mail.id: mail for mail in mails[:IDS_AT_ONCE]}
    query = sa.select(message_raw.c.message, message_raw.c.raw).where(message_raw.c.message.in_(few))
    for number, raw in connection.execute(query.order_by(message_raw.c.message)):
        yield few[number], raw


def replaced(connection: sa.Connection, mails: Sequence[Held], by: str, *, now_utc: datetime) -> None:
    """Withdraw mails that another says too. by: its Message-ID."""
    settled_utc = judged_utc(connection, now_utc)
    _set(connection, mails, state="withdrawn", settled_utc=settled_utc, last_error=f"told by {by}")


def let_go(connection: sa.Connection, mails: Sequence[Held], *, now_utc: datetime) -> None:
    """Let mails go as they are."""
    put_utc = _not_after(judged_utc(connection, now_utc))
    _set(connection, mails, put_utc=put_utc, next_try_utc=put_utc)


def put_when_woken(judged: datetime) -> sa.ColumnElement[datetime]:
    """Return the moment at which a mail was put, for one that a clock set back has in the future: held it stays so."""
    is_let_go = sa.and_(message.c.kind == KIND, sa.not_(HELD))
    return sa.case((is_let_go, _not_after(judged)), else_=message.c.put_utc)


def _not_after(judged: datetime) -> sa.ColumnElement[datetime]:
    return sa.case((message.c.put_utc > judged, judged), else_=message.c.put_utc)


def _due(judged: datetime, at_once: bool) -> tuple[sa.ColumnElement[bool], ...]:
    has_waited = sa.true() if at_once else message.c.next_try_utc <= judged
    return (*_WAITS, has_waited, message.c.deadline_utc > judged)


def _is_of(kind: str) -> sa.ColumnElement[bool]:
    ends = (message.c.subject.startswith(kind + end, autoescape=True) for end in (DASH, COMMA))
    return sa.or_(*ends)


def _locked(connection: sa.Connection, *which: sa.ColumnElement[bool]) -> list[Held]:
    query = sa.select(*_COLUMNS).where(*which).order_by(message.c.id).with_for_update(skip_locked=True)
    return [Held(*row) for row in connection.execute(query)]


def _told_until_utc(connection: sa.Connection, mails: Sequence[Held], judged: datetime) -> datetime:
    """Return the end of the hour for which the kind of these mails is told, `judged` where they do not wait for it."""
    first = mails[0]
    if not waits_for_hour(first):
        return judged
    # By state and next try first: that is what an index knows.
    lately = (message.c.state.in_(TOLD), message.c.next_try_utc > judged - HOUR, message.c.put_utc > judged - HOUR)
    told = (message.c.kind == KIND, sa.not_(HELD), _is_of(kind_of(first.subject)), message.c.put_utc <= judged)
    last_utc: datetime | None = connection.scalar(sa.select(sa.func.max(message.c.put_utc)).where(*lately, *told))
    if last_utc is None or min(mail.deadline_utc for mail in mails) <= last_utc + HOUR:
        return judged
    return last_utc + HOUR


def _set(connection: sa.Connection, mails: Sequence[Held], **values: object) -> None:
    for first in range(0, len(mails), IDS_AT_ONCE):
        ids = [mail.id for mail in mails[first : first + IDS_AT_ONCE]]
        connection.execute(sa.update(message).where(message.c.id.in_(ids)).values(**values))
