"""Runs as they stand in the database: what came of each, with everything that made it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

import sqlalchemy as sa

from gonogo.records.day_plan import DayPlan
from gonogo.records.verdict import Decision, OutlookDay
from gonogo.records.work_order import WorkOrder
from gonogo.store import schema
from gonogo.store.encoding import decoded
from gonogo.store.packed import unpacked

KEYS_AT_ONCE = 400  # of a site and a date: fewer than the parameters that SQLite takes in one statement


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A run as it stands in the database. state: "claimed" or "finished"."""

    id: int
    site_id: str
    day: date
    edition: str
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


def last_run(
    connection: sa.Connection,
    site_id: str,
    *,
    before_day: date | None = None,
    day: date | None = None,
    edition: str | None = None,
    is_finished: bool = True,
) -> Run | None:
    """Return the newest run of a site, or None.

    before_day    only runs of earlier local dates: those of yesterday
    day           only runs of this local date: those of this morning
    edition       only "morning", or only one later re-check
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
    if edition is not None:
        query = query.where(row.c.edition == edition)
    newest = sa.func.coalesce(row.c.finished_utc, row.c.claimed_utc)
    found = connection.execute(query.order_by(row.c.day.desc(), newest.desc(), row.c.id.desc()).limit(1)).first()
    return None if found is None else run_of(found)


def last_mailed_runs(
    connection: sa.Connection, site_id: str, *, before_day: date | None = None, day: date | None = None
) -> dict[str, tuple[int, datetime]]:
    """Return by crew the newest finished run whose mails went to it, or still may, and when.

    A re-check that had nothing to say to a crew, and a mail that came to nothing, told it nothing.
    """
    row, mail = schema.run, schema.message
    query = (
        sa.select(mail.c.crew_id, row.c.id, row.c.day, row.c.finished_utc)
        .join(row, row.c.id == mail.c.run_id)
        .where(row.c.site_id == site_id, row.c.state == "finished", mail.c.state.in_(("waiting", "sent")))
        .where(mail.c.kind.in_(("morning", "recheck")))
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
    return tuple(run_of(found) for found in connection.execute(query))


def decisions(connection: sa.Connection, run_id: int) -> tuple[Decision, ...]:
    """Return the verdicts of a run as they were given, in the order of the strips."""
    row = schema.verdict
    query = sa.select(row.c.record).where(row.c.run_id == run_id).order_by(row.c.position)
    found = tuple(decoded(text, Decision) for text in connection.scalars(query))
    return found or unpacked(connection, run_id).decisions


def outlook(connection: sa.Connection, run_id: int) -> tuple[OutlookDay, ...]:
    """Return the outlook of a run as it was given."""
    row = schema.outlook_day
    query = sa.select(row.c.record).where(row.c.run_id == run_id).order_by(row.c.position)
    found = tuple(decoded(text, OutlookDay) for text in connection.scalars(query))
    return found or unpacked(connection, run_id).outlook


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


def with_reasons(
    connection: sa.Connection, edition: str, keys: Sequence[tuple[str, date]]
) -> dict[tuple[str, date], tuple[str, frozenset[str]]]:
    """Return of finished runs of an edition, by site and local date, the error and the reasons of the verdicts."""
    row, verdict = schema.run, schema.verdict
    query = sa.select(row.c.site_id, row.c.day, row.c.error, verdict.c.reason)
    query = query.select_from(row.outerjoin(verdict, verdict.c.run_id == row.c.id))
    query = query.where(row.c.edition == edition, row.c.state == "finished")
    found: dict[tuple[str, date], tuple[str, frozenset[str]]] = {}
    for first in range(0, len(keys), KEYS_AT_ONCE):
        part = sa.tuple_(row.c.site_id, row.c.day).in_(keys[first : first + KEYS_AT_ONCE])
        for site_id, day, error, reason in connection.execute(query.where(part)):
            _, known = found.get((site_id, day), ("", frozenset()))
            found[site_id, day] = (error, known if reason is None else known | {reason})
    return found


def config_text(connection: sa.Connection, run_id: int) -> str:
    """Return the configuration that a run used, "" where it had none."""
    query = (
        sa.select(schema.config_copy.c.text)
        .join(schema.run, schema.run.c.config_sha256 == schema.config_copy.c.sha256)
        .where(schema.run.c.id == run_id)
    )
    return connection.scalar(query) or ""


def run_of(row: sa.Row[Any]) -> Run:
    """Unpack a row of the run table."""
    values = dict(row._mapping)
    values["faults"] = tuple(json.loads(row.faults))
    values["seed"] = None if row.seed is None else int(row.seed)
    return Run(**values)
