"""What a clock that was ahead, or was set back, has left in the database.

Runs are voided, not deleted: a run of tomorrow that was made today keeps its rows under a name of its own, and its
morning is free to be run once it is due.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

import sqlalchemy as sa

from gonogo.store import operator_hour, planned, schema
from gonogo.store.claims import CLAIM_S
from gonogo.store.clock import judged_utc
from gonogo.store.outbox import LEASE_S
from gonogo.store.schema import message

SURELY_AHEAD = timedelta(minutes=15)  # more than a clock that is corrected in passing is set by
LONGEST_RETRY = timedelta(minutes=10)  # more than a mail ever waits for its next try


def holds_future_runs(store: sa.Engine, *, now_utc: datetime) -> bool:
    """Return whether runs stand in the database that were made later than now: then this clock or theirs was wrong."""
    with schema.read(store) as connection:
        future = schema.run.c.claimed_utc > judged_utc(connection, now_utc) + SURELY_AHEAD
        found = sa.select(schema.run.c.id).where(future, ~schema.run.c.edition.contains(schema.VOID)).limit(1)
        return connection.execute(found).first() is not None


def wake_waiting(store: sa.Engine, *, now_utc: datetime) -> int:
    """Let mails go now that wait for a moment which a clock set back has put far off; return how many."""
    with schema.begin(store) as connection:
        judged = judged_utc(connection, now_utc)
        far_off = sa.or_(message.c.next_try_utc > judged + LONGEST_RETRY, message.c.put_utc > judged)
        waiting = (message.c.state == "waiting", message.c.next_try_utc > judged, far_off)
        woken = {"next_try_utc": judged, "put_utc": operator_hour.put_when_woken(judged)}
        n_woken = connection.execute(sa.update(message).where(*waiting).values(woken)).rowcount
        lease_until = judged + timedelta(seconds=LEASE_S)
        held = (message.c.state == "waiting", message.c.lease_until_utc > lease_until)
        connection.execute(sa.update(message).where(*held).values(lease_until_utc=lease_until))
        claim_until = judged + timedelta(seconds=CLAIM_S)
        claimed = (schema.run.c.state == "claimed", schema.run.c.lease_until_utc > claim_until)
        connection.execute(sa.update(schema.run).where(*claimed).values(lease_until_utc=claim_until))
        return n_woken


def take_back(store: sa.Engine, *, now_utc: datetime) -> int:
    """Void what was made while the clock was ahead, for a clock that is known to be right now; return how many runs.

    Their mails that still wait are withdrawn, mails that expired too early wait again, and answers of the weather
    services that seem to come from the future are no longer taken for the newest.
    """
    with schema.begin(store) as connection:
        judged = judged_utc(connection, now_utc)
        future = schema.run.c.claimed_utc > judged + SURELY_AHEAD
        query = sa.select(schema.run.c.id).where(future, ~schema.run.c.edition.contains(schema.VOID))
        run_ids = connection.scalars(query.with_for_update()).all()
        _void(connection, run_ids, now_utc=judged)
        too_early = (message.c.state == "expired", message.c.settled_utc > judged + SURELY_AHEAD)
        revived = sa.update(message).where(*too_early, message.c.deadline_utc > judged)
        connection.execute(revived.values(state="waiting", settled_utc=None, next_try_utc=judged))
        answer = schema.answer
        from_future = (answer.c.fetched_utc > judged + SURELY_AHEAD, answer.c.rejected.is_(None))
        why = "came while the machine's clock was ahead"
        connection.execute(sa.update(answer).where(*from_future).values(rejected=why))
        return len(run_ids)


def void_runs(store: sa.Engine, run_ids: Sequence[int], *, now_utc: datetime) -> None:
    """Void runs that are known to have been made on a wrong clock."""
    with schema.begin(store) as connection:
        _void(connection, run_ids, now_utc=judged_utc(connection, now_utc))


def _void(connection: sa.Connection, run_ids: Sequence[int], *, now_utc: datetime) -> None:
    """Let runs count for nothing: their rows stay under another name, their waiting mails are withdrawn."""
    row, mail = schema.run, schema.message
    for run_id in run_ids:
        key = connection.execute(sa.select(row.c.site_id, row.c.day, row.c.edition).where(row.c.id == run_id)).one()
        planned.mark_done(connection, *key, is_done=False)
        name = row.c.edition + f"{schema.VOID}{run_id}"
        changed = {"edition": name, "state": "claimed", "claimed_utc": now_utc, "lease_until_utc": now_utc}
        connection.execute(sa.update(row).where(row.c.id == run_id).values(**changed))
        waiting = (mail.c.run_id == run_id, mail.c.state == "waiting")
        withdrawn = {"state": "withdrawn", "settled_utc": now_utc, "lease_owner": None, "lease_until_utc": None}
        connection.execute(sa.update(mail).where(*waiting).values(**withdrawn))
