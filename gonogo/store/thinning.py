"""What is let go of once it is old: bodies of mails, details of runs, superseded learning, weather answers.

What an export of the book or a score is made from stays for good: verdicts with their facts, the outlook of scored
leads, entries, the outbox without bodies, and an answer of each service every ANSWER_EVERY_DAYS, whose past days
account for the days between. Verdicts and outlook of an old run are packed into one row. Gone with the details: rules
as they were judged one by one, day plans and orders of work, and with them the means to make so old a morning again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import chain

import sqlalchemy as sa

from gonogo.moisture.learned import LearnedSoil
from gonogo.store import packed, runs, schema
from gonogo.store.answers import thin_answers
from gonogo.store.encoding import decoded

KEPT_LEADS = (0, 1, 2, 3, 5, 7, 10)  # days ahead of an outlook that a score asks for
ANSWER_EVERY_DAYS = 3
ROWS_READ = 1000
BODIES_AT_ONCE = 100  # of mails, with their pictures
RUNS_AT_ONCE = 50  # in one transaction, so that nothing waits long for the database


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepDays:
    """Ages from which things go [days]: stored answers that no run used, bodies of mails, details of runs."""

    answers: float
    mail_bodies: float
    details: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Thinned:
    """How much went. runs: those whose details went."""

    answers: int = 0
    mail_bodies: int = 0
    runs: int = 0
    learned: int = 0

    def __bool__(self) -> bool:
        return bool(self.answers or self.mail_bodies or self.runs or self.learned)


def thin(store: sa.Engine, keep: KeepDays, *, now_utc: datetime, go_on: Callable[[], bool] = lambda: True) -> Thinned:
    """Let go of what is old, step by step, each in a transaction of its own, and return how much went.

    go_on   asked after each step; where it says no, the rest is left for another time
    """
    before_utc = now_utc - timedelta(days=keep.details)
    answers = thin_answers(store, now_utc=now_utc, keep_days=keep.answers)
    steps: dict[str, Iterable[int]] = {
        "runs": _thin_runs(store, before_utc),
        "answers": chain(answers, _thin_used_answers(store, before_utc)),
        "learned": _thin_learned(store, before_utc),
        "mail_bodies": _thin_bodies(store, now_utc - timedelta(days=keep.mail_bodies)),
    }
    n_gone = dict.fromkeys(steps, 0)
    for what, parts in steps.items():
        for n_now in parts:
            n_gone[what] += n_now
            if not go_on():
                return Thinned(**n_gone)
    return Thinned(**n_gone)


def _thin_bodies(store: sa.Engine, before_utc: datetime) -> Iterator[int]:
    """Delete the bodies of old mails that will not be sent any more."""
    mail, raw = schema.message, schema.message_raw
    old = sa.select(raw.c.message).join(mail).where(mail.c.put_utc < before_utc, mail.c.state != "waiting")
    old = old.order_by(raw.c.message)  # the oldest first: else each step would read all that is young
    while True:
        with schema.begin(store) as connection:
            part = connection.scalars(old.limit(BODIES_AT_ONCE)).all()
            connection.execute(sa.delete(raw).where(raw.c.message.in_(part)))
        yield len(part)
        if len(part) < BODIES_AT_ONCE:
            return


def _thin_runs(store: sa.Engine, before_utc: datetime) -> Iterator[int]:
    """Take the details out of old runs, some at a time."""
    while True:
        with schema.begin(store) as connection:
            n_now = _thin_some_runs(connection, before_utc)
        yield n_now
        if n_now < RUNS_AT_ONCE:
            return


def _thin_some_runs(connection: sa.Connection, before_utc: datetime) -> int:
    """Take the details out of some old runs; one that still has a day plan has them all. Others take others' runs."""
    run, plan = schema.run, schema.day_plan
    ids = connection.scalars(
        sa.select(run.c.id)
        .join(plan, plan.c.run_id == run.c.id)
        .where(run.c.finished_utc < before_utc)
        .order_by(run.c.id)
        .limit(RUNS_AT_ONCE)
        .with_for_update(of=plan, skip_locked=True)  # another service may be at it
    ).all()
    for run_id in ids:
        _thin_run(connection, run_id)
    return len(ids)


def _thin_run(connection: sa.Connection, run_id: int) -> None:
    day = connection.execute(sa.select(schema.run.c.day).where(schema.run.c.id == run_id)).scalar_one()
    kept = {day + timedelta(days=lead) for lead in KEPT_LEADS}
    decisions = tuple(replace(decision, seen=()) for decision in runs.decisions(connection, run_id))
    outlook = tuple(ahead for ahead in runs.outlook(connection, run_id) if ahead.day in kept)
    packed.pack(connection, run_id, packed.PackedRun(decisions=decisions, outlook=outlook))
    for table in (schema.day_plan, schema.work_order):
        connection.execute(sa.delete(table).where(table.c.run_id == run_id))


def _thin_used_answers(store: sa.Engine, before_utc: datetime) -> Iterator[int]:
    """Delete answers that old runs used, but for one of each site and service in some days."""
    kept, run = schema.answer, schema.run
    query = sa.select(kept.c.id, kept.c.site_id, kept.c.service, kept.c.fetched_utc)
    query = query.where(kept.c.fetched_utc < before_utc, kept.c.service.not_like("%/%"))
    query = query.order_by(kept.c.site_id, kept.c.service, kept.c.fetched_utc, kept.c.id)
    last: tuple[str, str, datetime] | None = None
    gone = []
    with schema.read(store) as connection:  # the kept ones of many sites and years are read a few at a time
        for row in connection.execution_options(yield_per=ROWS_READ).execute(query):
            is_same = last is not None and last[:2] == (row.site_id, row.service)
            least = timedelta(days=ANSWER_EVERY_DAYS) - timedelta(hours=1)
            if last is not None and is_same and row.fetched_utc - last[2] < least:
                gone.append(row.id)
            else:
                last = (row.site_id, row.service, row.fetched_utc)
    for first in range(0, len(gone), RUNS_AT_ONCE):
        part = gone[first : first + RUNS_AT_ONCE]
        with schema.begin(store) as connection:
            connection.execute(sa.update(run).where(run.c.answer_id.in_(part)).values(answer_id=None))
            connection.execute(sa.delete(kept).where(kept.c.id.in_(part)))
        yield len(part)


def _thin_learned(store: sa.Engine, before_utc: datetime) -> Iterator[int]:
    """Delete old rows of learning that another old row of the same lift has superseded.

    The newest of the old ones stays: a morning starts from what was known before its own readings.
    """
    table = schema.learned
    old = sa.select(table).where(table.c.made_utc < before_utc).order_by(table.c.id.desc())
    seen: set[tuple[str, str, datetime | None]] = set()
    gone = []
    with schema.read(store) as connection:
        rows = connection.execute(old).all()
    for row in rows:
        record = decoded(row.record, LearnedSoil)
        lift = (row.site_id, row.strip_id, record.lift_from_utc)
        if record.is_reset:
            continue
        if lift in seen:
            gone.append(row.id)
        seen.add(lift)
    for first in range(0, len(gone), RUNS_AT_ONCE):
        part = gone[first : first + RUNS_AT_ONCE]
        with schema.begin(store) as connection:
            connection.execute(sa.delete(table).where(table.c.id.in_(part)))
        yield len(part)
