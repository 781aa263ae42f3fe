"""What the store holds for a run: entries, answers, and what earlier runs told and planned."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import sqlalchemy as sa

from gonogo.config import Config
from gonogo.decide.changes import PreviousRun
from gonogo.errors import StoreError
from gonogo.mail.calendar import EARLIER_DAYS
from gonogo.records.field import Entry
from gonogo.records.outside import Answer
from gonogo.records.site import Site
from gonogo.records.work_order import PlannedWork, WorkOrder
from gonogo.store import history, runs
from gonogo.weather import past

log = logging.getLogger("gonogo.morning.previous")


def told(
    connection: sa.Connection, site: Site, *, before_day: date | None = None, day: date | None = None
) -> dict[str, PreviousRun]:
    """Return by crew the run that its last mail on a date came from, or on the last day before one; its strips only."""
    run_ids = runs.told_runs(connection, site.id, before_day=before_day, day=day)
    by_run = {
        run_id: (runs.decisions(connection, run_id), runs.outlook(connection, run_id), at_utc)
        for run_id, at_utc in set(run_ids.values())
    }
    crew_of = {strip.id: strip.crew_id for strip in site.strips}
    by_crew: dict[str, PreviousRun] = {}
    for crew_id, (run_id, _) in run_ids.items():
        decisions, outlook, at_utc = by_run[run_id]
        by_crew[crew_id] = PreviousRun(
            at_utc=at_utc,
            decisions=tuple(d for d in decisions if crew_of.get(d.strip_id) == crew_id),
            outlook=tuple(o for o in outlook if crew_of.get(o.strip_id) == crew_id),
        )
    return by_crew


def load(
    connection: sa.Connection, config: Config, site: Site, now_utc: datetime
) -> tuple[tuple[Entry, ...], tuple[Answer, ...]]:
    """Return what was recorded for a site (with the readings its config file gives) and its stored weather answers."""
    recorded = history.entries(connection, site.id)
    answers = history.recent_answers(connection, site.id, since_utc=past.wanted_since_utc(now_utc), until_utc=now_utc)
    return (*config.readings[site.id], *recorded), tuple(one.answer for one in answers)


@dataclass(frozen=True, slots=True, kw_only=True)
class Earlier:
    """What earlier runs said. None = there was none.

    said    the last run of the last day before: what changed since is told
    order   the newest order of work of all, this morning's too: a new one keeps to it where nothing speaks against it
    works   what was planned by earlier runs and when they said so, oldest first: what calendars hold by now
    """

    said: PreviousRun | None = None
    order: WorkOrder | None = None
    works: tuple[tuple[datetime, tuple[PlannedWork, ...]], ...] = ()


def earlier(connection: sa.Connection, site: Site, day: date) -> Earlier:
    """Return what the stored runs of a site said before."""
    last, newest = runs.last_run(connection, site.id, before_day=day), runs.last_run(connection, site.id)
    is_newest_known = newest is not None and newest.day <= day
    return Earlier(
        said=None if last is None else _said(connection, last),
        order=_order(connection, newest.id) if newest is not None and is_newest_known else None,
        works=_works(connection, site, day),
    )


def _works(connection: sa.Connection, site: Site, day: date) -> tuple[tuple[datetime, tuple[PlannedWork, ...]], ...]:
    """What earlier runs planned; nothing where it cannot be read: calendars are then only added to."""
    since_day = day - timedelta(days=EARLIER_DAYS)
    try:
        orders = runs.work_orders(connection, site.id, since_day=since_day, until_day=day)
    except StoreError as error:
        log.warning("%s: earlier orders of work: %s", site.id, error)
        return ()
    return tuple((at_utc, order.works) for at_utc, order in orders)


def _said(connection: sa.Connection, run: runs.Run) -> PreviousRun | None:
    """What a run said, None where it had no verdict: then there is nothing to compare with."""
    decisions = runs.decisions(connection, run.id)
    if run.finished_utc is None or not any(decision.facts for decision in decisions):
        return None
    return PreviousRun(
        at_utc=run.finished_utc,
        decisions=decisions,
        outlook=runs.outlook(connection, run.id),
        order=_order(connection, run.id),
    )


def _order(connection: sa.Connection, run_id: int) -> WorkOrder | None:
    """The order of a run, None also where another version of the program wrote it and it cannot be read."""
    try:
        return runs.work_order(connection, run_id)
    except StoreError as error:
        log.warning("run %s: %s", run_id, error)
        return None
