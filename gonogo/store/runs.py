"""Runs: who runs which morning, and what came of it with everything that made it.

One row for (site, local date, issue). Whoever inserts it runs that morning; if that process dies, its claim runs out
and another takes over. Verdicts, outlook and mails are stored in the one transaction that finishes the run.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

import sqlalchemy as sa

from gonogo.errors import StoreError
from gonogo.records.day_plan import DayPlan
from gonogo.records.verdict import Decision, OutlookDay
from gonogo.records.work_order import WorkOrder
from gonogo.store import schema
from gonogo.store.encoding import decoded, encoded
from gonogo.store.owner import IsDead

CLAIM_S = 600.0


class TakenOverError(StoreError):
    """Another took the run over, since this one took too long: its result is dropped."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """The right to run one morning. attempt: 1, or more where earlier ones died or gave up."""

    run_id: int
    site_id: str
    day: date
    issue: str
    owner: str
    attempt: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRecord:
    """Everything that a run came to, enough to repeat it.

    config_text   the accepted configuration, without secrets; "" where none could be loaded
    seed          of the random numbers
    answer_id     the stored answer it used, None where there was none
    faults        repairs and passing troubles, one sentence each
    error         traceback of what failed, "" where nothing did
    order         the order of work it proposed, None where it proposed none
    plan          the day plan it told, None where it made none
    """

    decisions: Sequence[Decision]
    outlook: Sequence[OutlookDay]
    config_text: str
    seed: int | None
    program_version: str
    answer_id: int | None
    faults: tuple[str, ...] = ()
    error: str = ""
    order: WorkOrder | None = None
    plan: DayPlan | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A run as it stands in the database. state: "claimed" or "finished"."""

    id: int
    site_id: str
    day: date
    issue: str
    state: str
    owner: str
    attempt: int
    claimed_utc: datetime
    lease_until_utc: datetime
    finished_utc: datetime | None
    answer_id: int | None
    config_sha256: str | None
    seed: int | None
    program_version: str | None
    faults: tuple[str, ...] = field(default=())
    error: str = ""


def claim_run(
    store: sa.Engine,
    site_id: str,
    day: date,
    issue: str,
    *,
    now_utc: datetime,
    owner: str,
    claim_s: float = CLAIM_S,
    takes_over: bool = False,
) -> Claim | None:
    """Claim the run of a site's local date, or return None where it is done or another is at it.

    issue        "morning", or the name of a later look
    owner        names this process; another for each process
    claim_s      after this long without finishing, the claim may be taken over by anyone
    takes_over   takes it from whoever is at it, for a run that takes too long; what that one comes to is dropped
    """
    row = schema.run
    lease_until_utc = now_utc + timedelta(seconds=claim_s)
    with schema.begin(store) as connection:
        fresh = schema.insert_new(connection, row, ["site_id", "day", "issue"]).values(
            site_id=site_id,
            day=day,
            issue=issue,
            state="claimed",
            owner=owner,
            attempt=1,
            claimed_utc=now_utc,
            lease_until_utc=lease_until_utc,
            faults="[]",
            error="",
        )
        run_id = connection.scalar(fresh.returning(row.c.id))
        if run_id is not None:
            return Claim(run_id=run_id, site_id=site_id, day=day, issue=issue, owner=owner, attempt=1)
        taken_over = connection.execute(
            sa.update(row)
            .where(row.c.site_id == site_id, row.c.day == day, row.c.issue == issue)
            .where(row.c.state == "claimed", sa.true() if takes_over else row.c.lease_until_utc <= now_utc)
            .values(owner=owner, attempt=row.c.attempt + 1, claimed_utc=now_utc, lease_until_utc=lease_until_utc)
            .returning(row.c.id, row.c.attempt)
        ).first()
        if taken_over is None:
            return None
        return Claim(
            run_id=taken_over.id, site_id=site_id, day=day, issue=issue, owner=owner, attempt=taken_over.attempt
        )


def release_run(store: sa.Engine, claim: Claim, *, now_utc: datetime, error: str) -> None:
    """Give up a claim at once, with the reason, so that the next attempt need not wait for it to run out."""
    with schema.begin(store) as connection:
        connection.execute(_claimed(claim).values(lease_until_utc=now_utc, error=_plain(error)))


def release_dead(store: sa.Engine, *, now_utc: datetime, is_dead: IsDead) -> int:
    """Let go of claims of processes that are known to be dead, and return how many those were."""
    row = schema.run
    held = (row.c.state == "claimed", row.c.lease_until_utc > now_utc)
    with schema.read(store) as connection:
        owners = connection.scalars(sa.select(row.c.owner).where(*held).distinct()).all()
    dead = [owner for owner in owners if is_dead(owner)]
    if not dead:
        return 0
    with schema.begin(store) as connection:
        released = sa.update(row).where(*held, row.c.owner.in_(dead)).values(lease_until_utc=now_utc)
        return connection.execute(released).rowcount


def finish_run(connection: sa.Connection, claim: Claim, record: RunRecord, *, now_utc: datetime) -> None:
    """Store what a run came to, in the caller's transaction, where the mails of the run go into the outbox too.

    Raises TakenOverError where the claim has been taken over meanwhile: the transaction then stores nothing.
    """
    config_sha256 = _save_config(connection, record.config_text, now_utc)
    finished = connection.execute(
        _claimed(claim).values(
            state="finished",
            finished_utc=now_utc,
            answer_id=record.answer_id,
            config_sha256=config_sha256,
            seed=None if record.seed is None else str(record.seed),
            program_version=record.program_version,
            faults=json.dumps([_plain(fault) for fault in record.faults]),
            error=_plain(record.error),
        )
    )
    if finished.rowcount != 1:
        raise TakenOverError(
            f"The {claim.issue} run of {claim.site_id} on {claim.day} was taken over by another service, "
            "since this one took too long. Its result is dropped; nothing was sent."
        )
    if record.decisions:
        connection.execute(sa.insert(schema.verdict), [
            {
                "run_id": claim.run_id,
                "strip_id": one.strip_id,
                "position": position,
                "verdict": one.verdict.value,
                "rule_id": one.rule_id,
                "reason": one.reason,
                "record": encoded(one),
            }
            for position, one in enumerate(record.decisions)
        ])  # fmt: skip
    if record.outlook:
        connection.execute(sa.insert(schema.outlook_day), [
            {
                "run_id": claim.run_id,
                "strip_id": one.strip_id,
                "day": one.day,
                "position": position,
                "record": encoded(one),
            }
            for position, one in enumerate(record.outlook)
        ])  # fmt: skip
    if record.order is not None:
        order = {"run_id": claim.run_id, "record": encoded(record.order)}
        connection.execute(sa.insert(schema.work_order).values(**order))
    if record.plan is not None:
        plan = {"run_id": claim.run_id, "record": encoded(record.plan)}
        connection.execute(sa.insert(schema.day_plan).values(**plan))


def last_run(
    connection: sa.Connection,
    site_id: str,
    *,
    before_day: date | None = None,
    day: date | None = None,
    issue: str | None = None,
    is_finished: bool = True,
) -> Run | None:
    """Return the newest run of a site, or None.

    before_day    only runs of earlier local dates: what was said yesterday
    day           only runs of this local date: what was said this morning
    issue         only "morning", or only one later look
    is_finished   False: also one that is still at work or died at it
    """
    row = schema.run
    query = sa.select(row).where(row.c.site_id == site_id)
    if is_finished:
        query = query.where(row.c.state == "finished")
    if before_day is not None:
        query = query.where(row.c.day < before_day)
    if day is not None:
        query = query.where(row.c.day == day)
    if issue is not None:
        query = query.where(row.c.issue == issue)
    newest = sa.func.coalesce(row.c.finished_utc, row.c.claimed_utc)
    found = connection.execute(query.order_by(row.c.day.desc(), newest.desc(), row.c.id.desc()).limit(1)).first()
    return None if found is None else _run(found)


def told_runs(
    connection: sa.Connection, site_id: str, *, before_day: date | None = None, day: date | None = None
) -> dict[str, tuple[int, datetime]]:
    """Return by crew the newest finished run whose mails went to it, or still may, and when: what it was told last.

    A later look that had nothing to say to a crew, and a mail that came to nothing, told it nothing.
    """
    row, mail = schema.run, schema.message
    query = (
        sa.select(mail.c.crew_id, row.c.id, row.c.day, row.c.finished_utc)
        .join(row, row.c.id == mail.c.run_id)
        .where(row.c.site_id == site_id, row.c.state == "finished", mail.c.state.in_(("waiting", "sent")))
        .where(mail.c.kind.in_(("morning", "later_look")))
        .distinct()
    )
    if day is not None:
        query = query.where(row.c.day == day)
    if before_day is not None:
        last_day = sa.select(sa.func.max(row.c.day)).where(row.c.site_id == site_id, row.c.day < before_day)
        query = query.where(row.c.day == last_day.where(row.c.state == "finished").scalar_subquery())
    newest: dict[str, tuple[Any, ...]] = {}
    for crew_id, run_id, run_day, finished_utc in connection.execute(query):
        newest[crew_id] = max(newest.get(crew_id, ()), (run_day, finished_utc, run_id))
    return {crew_id: (run_id, at_utc) for crew_id, (_, at_utc, run_id) in newest.items()}


def runs(connection: sa.Connection, *, site_id: str | None = None, limit: int = 100) -> tuple[Run, ...]:
    """Return runs, newest first."""
    row = schema.run
    query = sa.select(row).order_by(row.c.claimed_utc.desc(), row.c.id.desc()).limit(limit)
    if site_id is not None:
        query = query.where(row.c.site_id == site_id)
    return tuple(_run(found) for found in connection.execute(query))


def decisions(connection: sa.Connection, run_id: int) -> tuple[Decision, ...]:
    """Return the verdicts of a run as they were given, in the order of the strips."""
    row = schema.verdict
    query = sa.select(row.c.record).where(row.c.run_id == run_id).order_by(row.c.position)
    return tuple(decoded(text, Decision) for text in connection.scalars(query))


def outlook(connection: sa.Connection, run_id: int) -> tuple[OutlookDay, ...]:
    """Return the outlook of a run as it was given."""
    row = schema.outlook_day
    query = sa.select(row.c.record).where(row.c.run_id == run_id).order_by(row.c.position)
    return tuple(decoded(text, OutlookDay) for text in connection.scalars(query))


def work_order(connection: sa.Connection, run_id: int) -> WorkOrder | None:
    """Return the order of work that a run proposed, None where it proposed none."""
    text = connection.scalar(sa.select(schema.work_order.c.record).where(schema.work_order.c.run_id == run_id))
    return None if text is None else decoded(text, WorkOrder)


def work_orders(
    connection: sa.Connection, site_id: str, *, since_day: date, until_day: date
) -> tuple[tuple[datetime, WorkOrder], ...]:
    """Return the orders of work of a site's finished runs of some local dates, and when each was made, oldest first."""
    row = schema.run
    query = (
        sa.select(row.c.finished_utc, schema.work_order.c.record)
        .join(schema.work_order, schema.work_order.c.run_id == row.c.id)
        .where(row.c.site_id == site_id, row.c.state == "finished", row.c.day >= since_day, row.c.day <= until_day)
        .order_by(row.c.finished_utc, row.c.id)
    )
    return tuple((at_utc, decoded(text, WorkOrder)) for at_utc, text in connection.execute(query))


def day_plans(connection: sa.Connection, site_id: str, *, since_day: date, until_day: date) -> tuple[DayPlan, ...]:
    """Return the day plans of a site's finished runs of some local dates, oldest first."""
    row = schema.run
    query = (
        sa.select(schema.day_plan.c.record)
        .join(row, schema.day_plan.c.run_id == row.c.id)
        .where(row.c.site_id == site_id, row.c.state == "finished", row.c.day >= since_day, row.c.day <= until_day)
        .order_by(row.c.finished_utc, row.c.id)
    )
    return tuple(decoded(text, DayPlan) for text in connection.scalars(query))


def config_text(connection: sa.Connection, run_id: int) -> str:
    """Return the configuration that a run used, "" where it had none."""
    query = (
        sa.select(schema.config_copy.c.text)
        .join(schema.run, schema.run.c.config_sha256 == schema.config_copy.c.sha256)
        .where(schema.run.c.id == run_id)
    )
    return connection.scalar(query) or ""


def _claimed(claim: Claim) -> sa.Update:
    """An update that hits only while the claim is the one that was given."""
    row = schema.run
    return sa.update(row).where(
        row.c.id == claim.run_id,
        row.c.state == "claimed",
        row.c.owner == claim.owner,
        row.c.attempt == claim.attempt,
    )


def _save_config(connection: sa.Connection, text: str, now_utc: datetime) -> str | None:
    """Keep a configuration once, and return its hash."""
    if not text:
        return None
    sha256 = hashlib.sha256(text.encode()).hexdigest()
    connection.execute(
        schema.insert_new(connection, schema.config_copy, ["sha256"]).values(
            sha256=sha256, text=text, first_seen_utc=now_utc
        )
    )
    return sha256


def _run(row: sa.Row[Any]) -> Run:
    """Unpack a row of the run table."""
    values = dict(row._mapping)
    values["faults"] = tuple(json.loads(row.faults))
    values["seed"] = None if row.seed is None else int(row.seed)
    return Run(**values)


def _plain(text: str) -> str:
    """A text as PostgreSQL can hold it."""
    return text.replace("\x00", "")
