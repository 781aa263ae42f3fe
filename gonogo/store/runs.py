"""Runs as they stand in the database: what came of each, with everything that made it."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import cache
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
    wanted = {"before_day": before_day, "day": day, "edition": edition}
    given = {name: value for name, value in wanted.items() if value is not None}
    statement = _last_run(tuple(given), is_finished=is_finished)
    found = connection.execute(statement, given | {"site_id": site_id}).first()
    return None if found is None else run_of(found)


# Statements that each run asks are made once: one made anew takes longer than the database does.
_BOUNDS: dict[str, Callable[[sa.BindParameter[Any]], sa.ColumnElement[bool]]] = {
    "before_day": lambda value: schema.run.c.day < value,
    "day": lambda value: schema.run.c.day == value,
    "edition": lambda value: schema.run.c.edition == value,
}


@cache
def _last_run(given: tuple[str, ...], *, is_finished: bool) -> sa.Select[Any]:
    """The statement of last_run with some of its bounds."""
    row = schema.run
    query = sa.select(row).where(row.c.site_id == sa.bindparam("site_id"))
    if is_finished:
        query = query.where(row.c.state == "finished")
    query = query.where(*(_BOUNDS[name](sa.bindparam(name)) for name in given))
    newest = sa.func.coalesce(row.c.finished_utc, row.c.claimed_utc)
    return query.order_by(row.c.day.desc(), newest.desc(), row.c.id.desc()).limit(1)


_LAST_DAY = (
    sa.select(sa.func.max(schema.run.c.day))
    .where(schema.run.c.site_id == sa.bindparam("site_id"), schema.run.c.day < sa.bindparam("day"))
    .where(schema.run.c.state == "finished")
)
_REACHES_A_CREW = (
    schema.message.c.state.in_(("waiting", "sent")),
    schema.message.c.kind.in_(("morning", "recheck")),
)
_MAILED = (
    sa.select(schema.message.c.crew_id, schema.run.c.id, schema.run.c.day, schema.run.c.finished_utc)
    .join(schema.run, schema.run.c.id == schema.message.c.run_id)
    .where(schema.run.c.site_id == sa.bindparam("site_id"), schema.run.c.state == "finished")
    .where(sa.or_(schema.run.c.day == sa.bindparam("day"), schema.run.c.day == _LAST_DAY.scalar_subquery()))
    .where(*_REACHES_A_CREW)
    .distinct()
)


def last_mailed_runs(
    connection: sa.Connection, site_id: str, day: date
) -> tuple[dict[str, tuple[int, datetime]], dict[str, tuple[int, datetime]]]:
    """Return by crew the newest finished run whose mails went to it, or still may, and when: (before, on the day).

    before   of the last day before that one on which there was a finished run

    A re-check that had nothing to say to a crew, and a mail that came to nothing, told it nothing.
    """
    newest: tuple[dict[str, tuple[Any, ...]], dict[str, tuple[Any, ...]]] = ({}, {})
    for crew_id, run_id, run_day, finished_utc in connection.execute(_MAILED, {"site_id": site_id, "day": day}):
        by_crew = newest[run_day == day]
        by_crew[crew_id] = max(by_crew.get(crew_id, ()), (finished_utc, run_id))
    before, today = ({crew: (run_id, at_utc) for crew, (at_utc, run_id) in found.items()} for found in newest)
    return before, today


_TOLD = (
    sa.select(schema.run.c.day, schema.run.c.edition, schema.message.c.crew_id)
    .join(schema.run, schema.run.c.id == schema.message.c.run_id)
    .where(schema.run.c.site_id == sa.bindparam("site_id"), schema.run.c.state == "finished")
    .where(schema.run.c.day >= sa.bindparam("since"), schema.run.c.day <= sa.bindparam("until"))
    .where(*_REACHES_A_CREW)
    .distinct()
)


def mailed_crews(
    connection: sa.Connection, site_id: str, *, since_day: date, until_day: date
) -> dict[tuple[date, str], frozenset[str]]:
    """Return by local date and edition the crews to whom mails of a site's finished runs went, or still may."""
    span = {"site_id": site_id, "since": since_day, "until": until_day}
    found: dict[tuple[date, str], frozenset[str]] = {}
    for day, edition, crew_id in connection.execute(_TOLD, span):
        found[day, edition] = found.get((day, edition), frozenset()) | {crew_id}
    return found


def runs(connection: sa.Connection, *, site_id: str | None = None, limit: int = 100) -> tuple[Run, ...]:
    """Return runs, newest first."""
    row = schema.run
    query = sa.select(row).order_by(row.c.claimed_utc.desc(), row.c.id.desc()).limit(limit)
    if site_id is not None:
        query = query.where(row.c.site_id == site_id)
    return tuple(run_of(found) for found in connection.execute(query))


def _records_of_run(table: sa.Table) -> sa.Select[Any]:
    return sa.select(table.c.record).where(table.c.run_id == sa.bindparam("run_id")).order_by(table.c.position)


_VERDICTS, _OUTLOOK = _records_of_run(schema.verdict), _records_of_run(schema.outlook_day)


def decisions(connection: sa.Connection, run_id: int) -> tuple[Decision, ...]:
    """Return the verdicts of a run as they were given, in the order of the strips."""
    found = tuple(decoded(text, Decision) for text in connection.scalars(_VERDICTS, {"run_id": run_id}))
    return found or unpacked(connection, run_id).decisions


def outlook(connection: sa.Connection, run_id: int) -> tuple[OutlookDay, ...]:
    """Return the outlook of a run as it was given."""
    found = tuple(decoded(text, OutlookDay) for text in connection.scalars(_OUTLOOK, {"run_id": run_id}))
    return found or unpacked(connection, run_id).outlook


def work_order(connection: sa.Connection, run_id: int) -> WorkOrder | None:
    """Return the order of work that a run proposed, None where it proposed none."""
    text = connection.scalar(_ORDER, {"run_id": run_id})
    return None if text is None else decoded(text, WorkOrder)


_ORDER = sa.select(schema.work_order.c.record).where(schema.work_order.c.run_id == sa.bindparam("run_id"))


def _records_of_days(table: sa.Table) -> sa.Select[Any]:
    """What a site's finished runs of some local dates have in a table, and when each was made, oldest first."""
    row = schema.run
    return (
        sa.select(row.c.finished_utc, table.c.record)
        .join(table, table.c.run_id == row.c.id)
        .where(row.c.site_id == sa.bindparam("site_id"), row.c.state == "finished")
        .where(row.c.day >= sa.bindparam("since"), row.c.day <= sa.bindparam("until"))
        .order_by(row.c.finished_utc, row.c.id)
    )


_ORDERS, _PLANS = _records_of_days(schema.work_order), _records_of_days(schema.day_plan)


def work_orders(
    connection: sa.Connection, site_id: str, *, since_day: date, until_day: date
) -> tuple[tuple[datetime, WorkOrder], ...]:
    """Return the orders of work of a site's finished runs of some local dates, and when each was made, oldest first."""
    span = {"site_id": site_id, "since": since_day, "until": until_day}
    return tuple((at_utc, decoded(text, WorkOrder)) for at_utc, text in connection.execute(_ORDERS, span))


def day_plans(connection: sa.Connection, site_id: str, *, since_day: date, until_day: date) -> tuple[DayPlan, ...]:
    """Return the day plans of a site's finished runs of some local dates, oldest first."""
    span = {"site_id": site_id, "since": since_day, "until": until_day}
    return tuple(decoded(text, DayPlan) for _, text in connection.execute(_PLANS, span))


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
