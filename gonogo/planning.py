"""The plan of a run: the order of work, and what is another than earlier runs said."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

import numpy as np
import sqlalchemy as sa

from gonogo import times
from gonogo.decide import order
from gonogo.decide.changes import Said, changes
from gonogo.errors import StoreError
from gonogo.judgement import lifts_done
from gonogo.mail.calendar import EARLIER_DAYS
from gonogo.mailing import Conclusion
from gonogo.records import Entry, PlannedWork, Site, WorkOrder
from gonogo.store import runs
from gonogo.weather.series import HourlyWeather, Rung

log = logging.getLogger("gonogo.planning")


@dataclass(frozen=True, slots=True, kw_only=True)
class Earlier:
    """What earlier runs said. None = there was none.

    said    the last run of the last day before: what changed since is told
    order   the newest order of work of all, this morning's too: a new one keeps to it where nothing speaks against it
    works   what was planned by earlier runs and when they said so, oldest first: what calendars hold by now
    """

    said: Said | None = None
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


def _said(connection: sa.Connection, run: runs.Run) -> Said | None:
    """What a run said, None where it had no verdict: then there is nothing to compare with."""
    decisions = runs.decisions(connection, run.id)
    if run.finished_utc is None or not any(decision.facts for decision in decisions):
        return None
    return Said(
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


def planned(
    conclusion: Conclusion, site: Site, *, entries: Sequence[Entry], now_utc: datetime, earlier: Earlier | None
) -> Conclusion:
    """Return a conclusion with its order of work and what changed; unchanged where it has no verdict."""
    judgement, weather = conclusion.judgement, conclusion.weather
    if judgement is None or weather is None or weather.rung is Rung.NONE:
        return conclusion
    before = earlier or Earlier()
    proposed = order.propose(
        judgement.inputs,
        judgement.decisions,
        done={strip.id: lifts_done(strip, entries, now_utc) for strip in site.strips},
        before=before.order,
    )
    found = None
    if before.said is not None:
        now = Said(at_utc=now_utc, decisions=judgement.decisions, outlook=judgement.outlook, order=proposed)
        rained_mm = _rained_mm(weather, before.said.at_utc, now_utc)
        found = changes(site, before.said, now, entries=entries, rained_mm=rained_mm)
    faults = (*conclusion.faults, f"order of work as given: {proposed.fault}") if proposed.fault else conclusion.faults
    return replace(conclusion, order=proposed, changes=found, faults=faults)


def _rained_mm(weather: HourlyWeather, since_utc: datetime, now_utc: datetime) -> float:
    """Rain between two moments [mm], NaN where the table does not reach back."""
    since = times.as_hour(since_utc)
    if since < weather.hour_utc[0]:
        return float("nan")
    past = (weather.hour_utc >= since) & (weather.hour_utc < times.as_hour(now_utc))
    return float(np.sum(weather.rain_mm[past]))
