"""What a run takes from the store: one record, read by one loader."""

from __future__ import annotations

import logging
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta

import sqlalchemy as sa

from gonogo.decide.changes import PreviousRun, badges_of
from gonogo.errors import StoreError
from gonogo.mail.calendar import EARLIER_DAYS
from gonogo.moisture.learned import LearnedSoil
from gonogo.outgoing.frame import MORNING, RunFrame
from gonogo.records.day_plan import DayPlan
from gonogo.records.field import Entry
from gonogo.records.outside import Answer
from gonogo.records.site import Site
from gonogo.records.verdict import Decision, OutlookDay
from gonogo.records.work_order import PlannedWork, WorkOrder
from gonogo.store import answers as stored_answers
from gonogo.store import history, learned, runs, schema
from gonogo.weather import past

PLAN_DAYS = 14  # told work older than this is forgotten: the test that a strip needs is older still by then

log = logging.getLogger("gonogo.morning.previous")


@dataclass(frozen=True, slots=True, kw_only=True)
class PreviousRuns:
    """What previous runs of a site came to. None = there was none; a crew that is not there was never mailed.

    last         the last run of the last day before: what changed since then is told
    order        the newest order of work of all, this morning's too: a new one keeps to it where nothing speaks
                 against it
    works        what previous runs planned and when, oldest first: what calendars hold by now
    plans        the day plans of the last PLAN_DAYS days as the crews were told them, oldest first: what may have been
                 done; see told_plans
    days_before  by crew the run that its last mail on the last day before came from; its strips only
    today        by crew the run that its last mail on the day itself came from; its strips only
    """

    last: PreviousRun | None = None
    order: WorkOrder | None = None
    works: tuple[tuple[datetime, tuple[PlannedWork, ...]], ...] = ()
    plans: tuple[DayPlan, ...] = ()
    days_before: Mapping[str, PreviousRun] = field(default_factory=dict)
    today: Mapping[str, PreviousRun] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredInputs:
    """What a run takes from the store.

    entries   what was recorded on site, with the readings that the config file gives
    answers   stored answers of the weather services, newest first
    learned   what previous runs learned of the strips' soil, in the order in which it was stored
    previous  what previous runs came to; empty where it was not asked for
    """

    entries: tuple[Entry, ...] = ()
    answers: tuple[Answer, ...] = ()
    learned: tuple[LearnedSoil, ...] = ()
    previous: PreviousRuns = field(default_factory=PreviousRuns)


def load(frame: RunFrame, *, with_previous: bool = True) -> StoredInputs:
    """Return what the store holds for a run at its moment, in one consistent view. Raises StoreError.

    with_previous   read what previous runs came to as well: whoever only asks for weather or soil needs none of it
    """
    site, now_utc = frame.site, frame.now_utc
    with schema.read(frame.store) as connection:
        since_utc = past.wanted_since_utc(now_utc)
        answers = stored_answers.recent_answers(connection, site.id, since_utc=since_utc, until_utc=now_utc)
        return StoredInputs(
            entries=(*frame.config.readings[site.id], *history.entries(connection, site.id)),
            answers=tuple(stored.answer for stored in answers),
            learned=learned.rows(connection, site.id, until_utc=now_utc),
            previous=previous_runs(connection, site, frame.day) if with_previous else PreviousRuns(),
        )


def previous_runs(connection: sa.Connection, site: Site, day: date) -> PreviousRuns:
    """Return what the stored runs of a site came to before a run of a day."""
    newest = runs.last_run(connection, site.id)
    if newest is None:
        return PreviousRuns()  # a site's first morning: nothing else can be found either
    # On an ordinary morning the newest of all is the last of the day before.
    last = newest if newest.day < day else runs.last_run(connection, site.id, before_day=day)
    before, today = runs.last_mailed_runs(connection, site.id, day)
    plans = _plans(connection, site, day)
    mailed = runs.mailed_crews(connection, site.id, since_day=day - timedelta(days=PLAN_DAYS), until_day=day)
    stored = _StoredRuns(connection, plans)
    return PreviousRuns(
        last=None if last is None else stored.came_to(last),
        order=stored.order(newest.id) if newest.day <= day else None,
        works=_works(connection, site, day),
        plans=told_plans(site, plans, mailed),
        days_before=_last_mailed(stored, site, before),
        today=_last_mailed(stored, site, today),
    )


class _StoredRuns:
    """What runs came to, each read once: what is compared, what was told and what is kept to are mostly one run."""

    def __init__(self, connection: sa.Connection, plans: Sequence[DayPlan]) -> None:
        self._connection, self._plans = connection, plans
        self._told: dict[int, tuple[tuple[Decision, ...], tuple[OutlookDay, ...]]] = {}
        self._orders: dict[int, WorkOrder | None] = {}

    def told(self, run_id: int) -> tuple[tuple[Decision, ...], tuple[OutlookDay, ...]]:
        """Return the verdicts and the outlook of a run."""
        if run_id not in self._told:
            connection = self._connection
            self._told[run_id] = (runs.decisions(connection, run_id), runs.outlook(connection, run_id))
        return self._told[run_id]

    def order(self, run_id: int) -> WorkOrder | None:
        """Return a run's order, None also where another version of the program wrote it and it cannot be read."""
        if run_id not in self._orders:
            self._orders[run_id] = _order(self._connection, run_id)
        return self._orders[run_id]

    def came_to(self, run: runs.Run) -> PreviousRun | None:
        """Return what a run came to, None where it had no verdict: then there is nothing to compare with."""
        decisions, outlook = self.told(run.id)
        if run.finished_utc is None or not any(decision.facts for decision in decisions):
            return None
        return PreviousRun(
            at_utc=run.finished_utc,
            decisions=decisions,
            outlook=outlook,
            order=self.order(run.id),
            badges=self.badges(run.finished_utc),
        )

    def badges(self, at_utc: datetime) -> Mapping[str, str]:
        """Return what the mails of the run that ended at a moment show of its strips: its plan is the last by then."""
        until = (plan for plan in self._plans if plan.made_utc <= at_utc)
        return badges_of(max(until, key=lambda plan: plan.made_utc, default=None))


def _plans(connection: sa.Connection, site: Site, day: date) -> tuple[DayPlan, ...]:
    """The day plans that may still matter; none where another version of the program wrote them differently."""
    try:
        return runs.day_plans(connection, site.id, since_day=day - timedelta(days=PLAN_DAYS), until_day=day)
    except StoreError as error:
        log.warning("%s: earlier day plans: %s", site.id, error)
        return ()


def told_plans(
    site: Site, plans: Sequence[DayPlan], mailed: Mapping[tuple[date, str], frozenset[str]]
) -> tuple[DayPlan, ...]:
    """Return day plans with what each told its crews: of a re-check, what its mails did.

    mailed   by local date and edition, the crews under whose name mails went

    A re-check that had nothing to say to a crew told it nothing: what it was mailed before stands, with its hours. A
    crew that no run of the day mailed reads the plan elsewhere, and is told every one.
    """
    crew_of = {strip.id: strip.crew_id for strip in site.strips}
    any_of: dict[date, set[str]] = {}
    for (day, _), crew_ids in mailed.items():
        any_of.setdefault(day, set()).update(_mailed_too(site, crew_ids))
    found = []
    for plan in plans:
        told = _mailed_too(site, mailed.get((plan.day, plan.edition), frozenset()))
        untold = set() if plan.edition == MORNING else any_of.get(plan.day, set()) - told
        found.append(
            replace(
                plan,
                strips=tuple(strip for strip in plan.strips if crew_of.get(strip.strip_id) not in untold),
                jobs=tuple(job for job in plan.jobs if crew_of.get(job.strip_id) not in untold),
                sealings=tuple(sealing for sealing in plan.sealings if sealing.crew_id not in untold),
            )
            if untold
            else plan
        )
    return tuple(plan for plan in found if plan.strips)


def _mailed_too(site: Site, crew_ids: Collection[str]) -> frozenset[str]:
    """Return the crews that were mailed, with those all of whose readers read others too, and so under their name."""
    readers = {crew.id: {(p.role, p.address.casefold()) for p in crew.recipients} for crew in site.crews}
    found = set(crew_ids)
    for crew_id, own in readers.items():
        others = {reader for other, theirs in readers.items() if other != crew_id for reader in theirs}
        named = {reader for other in crew_ids for reader in readers.get(other, ())}
        if own and own <= others and own & named:
            found.add(crew_id)
    return frozenset(found)


def _last_mailed(
    stored: _StoredRuns, site: Site, run_ids: Mapping[str, tuple[int, datetime]]
) -> dict[str, PreviousRun]:
    """By crew what the run came to that its last mail came from; its strips only."""
    crew_of = {strip.id: strip.crew_id for strip in site.strips}
    by_crew: dict[str, PreviousRun] = {}
    for crew_id, (run_id, at_utc) in _with_partners(site, run_ids).items():
        decisions, outlook = stored.told(run_id)
        by_crew[crew_id] = PreviousRun(
            at_utc=at_utc,
            decisions=tuple(d for d in decisions if crew_of.get(d.strip_id) == crew_id),
            outlook=tuple(o for o in outlook if crew_of.get(o.strip_id) == crew_id),
            badges={s: badge for s, badge in stored.badges(at_utc).items() if crew_of.get(s) == crew_id},
        )
    return by_crew


def _with_partners(site: Site, run_ids: Mapping[str, tuple[int, datetime]]) -> dict[str, tuple[int, datetime]]:
    """The runs by crew, with crews that were mailed under another's name: one mail goes to a reader of several."""
    found = dict(run_ids)
    readers = {crew.id: {(p.role, p.address.casefold()) for p in crew.recipients} for crew in site.crews}
    for crew_id, own in readers.items():
        named = [other for other, theirs in readers.items() if other in run_ids and own & theirs]
        if crew_id not in found and named:
            found[crew_id] = max((run_ids[other] for other in named), key=lambda run: run[0])
    return found


def _works(connection: sa.Connection, site: Site, day: date) -> tuple[tuple[datetime, tuple[PlannedWork, ...]], ...]:
    """What previous runs planned; nothing where it cannot be read: calendars are then only added to."""
    since_day = day - timedelta(days=EARLIER_DAYS)
    try:
        orders = runs.work_orders(connection, site.id, since_day=since_day, until_day=day)
    except StoreError as error:
        log.warning("%s: earlier orders of work: %s", site.id, error)
        return ()
    return tuple((at_utc, order.works) for at_utc, order in orders)


def _order(connection: sa.Connection, run_id: int) -> WorkOrder | None:
    """The order of a run, None also where another version of the program wrote it and it cannot be read."""
    try:
        return runs.work_order(connection, run_id)
    except StoreError as error:
        log.warning("run %s: %s", run_id, error)
        return None
