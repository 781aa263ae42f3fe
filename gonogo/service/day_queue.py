"""The runs of a day as several services share them on PostgreSQL: planned once, taken in batches, done once.

On SQLite there is one machine and nothing to share: the calendar fires each site's runs there (schedule.py). When a run
is due is the same question to the same calendar on both.
"""

from __future__ import annotations

import hashlib
import logging
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from gonogo import times
from gonogo.config import Config
from gonogo.errors import StoreError
from gonogo.morning import recheck
from gonogo.outgoing.frame import MORNING
from gonogo.records import shift
from gonogo.records.site import Site
from gonogo.service import due
from gonogo.service.due import lead_min
from gonogo.service.questions import BATCH
from gonogo.service.runner import Runner
from gonogo.store import alive, planned, schema
from gonogo.store.planned import PlannedRun

log = logging.getLogger("gonogo.service.day_queue")

PLANNED_AHEAD = timedelta(hours=30)
TRIED_AGAIN = timedelta(seconds=20)  # a run that came to nothing
PLANNED_AGAIN = timedelta(seconds=30)  # a plan that the database refused
UNKNOWN_HERE = timedelta(minutes=1)  # a site that stands in another service's config alone
LOOKED_AT_LEAST = timedelta(minutes=1)
LOOKED_FOR_DEAD = timedelta(seconds=5)  # while another has runs in its batch: one that dies tells nobody
KEPT = timedelta(days=7)
SHARES_EACH = 2  # batches in which a service would take its share of what is due
TILE_DEG = 0.25  # sites of one cell of a weather model stand together


@dataclass(frozen=True, slots=True)
class Taken:
    """A run that this service has taken. key: as Workers wants it; group: what stands together."""

    row: PlannedRun
    site: Site
    at: time | None

    @property
    def key(self) -> tuple[object, ...]:
        return (self.row.site_id, self.row.day, MORNING if self.at is None else self.at)


class DayQueue:
    """Plans and takes runs for a runner."""

    def __init__(self, runner: Runner) -> None:
        self._runner = runner
        self._planned: tuple[Config, str, datetime] | None = None
        self._sites: tuple[Config, dict[str, Site]] | None = None
        self._plan_refused_utc: datetime | None = None
        self._made: tuple[datetime, dict[str, date]] | None = None
        self._owed: dict[PlannedRun, datetime] = {}  # to be given back from a moment on: the database refused it

    def plan(self, now_utc: datetime) -> None:
        """Write down the runs ahead unless they are. Raises StoreError."""
        config = self._runner.configs.accepted
        until_utc = now_utc.replace(hour=now_utc.hour // 6 * 6, minute=0, second=0, microsecond=0) + PLANNED_AHEAD
        is_same = self._planned is not None and self._planned[0] is config
        if is_same and self._planned is not None and self._planned[2] >= until_utc:
            return
        mark = self._planned[1] if is_same and self._planned is not None else fingerprint(config)
        with schema.look(self._runner.store) as connection:
            is_planned = planned.is_planned(connection, mark, until_utc)
        if not is_planned:
            self._write_down(config, mark, now_utc, until_utc)
        while planned.forget_before(self._runner.store, (now_utc - KEPT).date()):
            pass
        self._planned = (config, mark, until_utc)

    def _write_down(self, config: Config, mark: str, now_utc: datetime, until_utc: datetime) -> None:
        """Plan the runs of a config until a moment."""
        rows = list(rows_ahead(config, now_utc, until_utc))
        n_new = planned.plan(self._runner.store, mark, rows, now_utc=now_utc, until_utc=until_utc)
        log.info("%d runs until %s are planned, %d of them new", len(rows), f"{until_utc:%Y-%m-%d %H:%M}", n_new)

    def take(self, now_utc: datetime) -> list[Taken]:
        """Take a batch of what is due; nothing while no run may be made. A fault of the database is logged."""
        runner = self._runner
        if runner.configs.faults or not runner.trust.may_run:
            return []
        self.try_plan(now_utc)
        try:
            self._give_back_owed()
            known = planned.before_batch(runner.store, now_utc=now_utc)
            n_due = known.n_due + self._release_dead(known.owners - {runner.me}, now_utc)
            most = batch_size(n_due, known.n_services)
            rows = planned.take(runner.store, now_utc=now_utc, owner=runner.me, most=most)
        except StoreError:
            log.exception("no runs could be taken; it is tried again")
            return []
        found = [self._known(row) for row in rows]
        for row in (row for row, taken in zip(rows, found, strict=True) if taken is None):
            self._give_back(row, now_utc + UNKNOWN_HERE)
        return [taken for taken in found if taken is not None]

    def _release_dead(self, others: frozenset[str], now_utc: datetime) -> int:
        """Let go of the batches of the dead among the others, and return how many runs those were.

        Of their claims first, so that whoever takes a run may make it.
        """
        runner = self._runner
        dead = set(filter(alive.is_dead(runner.store), others)) if others else set()
        if not dead:
            return 0
        runner.release(now_utc)
        return planned.release(runner.store, dead)

    def try_plan(self, now_utc: datetime) -> bool:
        """Plan ahead, and return whether what is due now is known to be planned.

        Where another session holds the plan, what was planned before is run all the same.
        """
        refused_utc = self._plan_refused_utc
        if refused_utc is None or abs(now_utc - refused_utc) >= PLANNED_AGAIN:
            try:
                self.plan(now_utc)
                self._plan_refused_utc = None
            except StoreError:
                self._plan_refused_utc = now_utc
                log.exception("nothing could be planned; it is tried again")
        known = self._planned
        return known is not None and known[0] is self._runner.configs.accepted and known[2] > now_utc

    def run(self, taken: Taken, now_utc: datetime) -> None:
        """Make a run that was taken, and give it back where it came to nothing."""
        row, site, runner = taken.row, taken.site, self._runner
        lead = runner.lead_min(site)
        if taken.at is None and due.due_day(site, now_utc, lead) == row.day:
            runner.run_morning(site, row.day, now_utc)
        elif taken.at is not None and due.due_recheck(site, now_utc) == (row.day, taken.at):
            runner.run_recheck(site, row.day, taken.at, now_utc)
        if not runner.is_done(site.id, row.day, taken.at):
            self._give_back(row, now_utc + TRIED_AGAIN)

    def made(self, now_utc: datetime) -> dict[str, date]:
        """Return by site the last day whose morning is done, by this service or another, as of a minute ago at most.

        Raises StoreError.
        """
        if self._made is None or abs(now_utc - self._made[0]) >= LOOKED_AT_LEAST:
            since = (now_utc - timedelta(days=1)).date()
            self._made = (now_utc, planned.made(self._runner.store, MORNING, since=since))
        return self._made[1]

    def next_utc(self, now_utc: datetime) -> datetime:
        """Return when to look for runs again: when the next one falls due, and in a minute at most.

        While another service has runs in its batch, in a few seconds: it may die, and then nothing falls due.
        """
        try:
            # Asked now: what two services find due at one moment one of them may have taken since this one looked.
            found = planned.ahead(self._runner.store, now_utc=now_utc, owner=self._runner.me)
        except StoreError:
            return now_utc + TRIED_AGAIN
        latest = now_utc + (LOOKED_FOR_DEAD if found.others_have_runs else LOOKED_AT_LEAST)
        return latest if found.from_utc is None else max(min(found.from_utc, latest), now_utc + timedelta(seconds=1))

    def site(self, site_id: str) -> Site | None:
        """Return a site of the config in force."""
        config = self._runner.configs.accepted
        if self._sites is None or self._sites[0] is not config:
            self._sites = (config, {site.id: site for site in config.sites})
        return self._sites[1].get(site_id)

    def _known(self, row: PlannedRun) -> Taken | None:
        site = self.site(row.site_id)
        if site is None:
            return None
        at = next((at for at in site.recheck_at if recheck.edition(at) == row.edition), None)
        return None if row.edition != MORNING and at is None else Taken(row, site, at)

    def _give_back(self, row: PlannedRun, from_utc: datetime) -> None:
        """Let others have a run; where the database refuses, with the next batch that is taken."""
        self._owed[row] = from_utc
        try:
            self._give_back_owed()
        except StoreError:
            log.exception("a run could not be given back; it is tried again")

    def _give_back_owed(self) -> None:
        for row, from_utc in tuple(self._owed.items()):
            planned.give_back(self._runner.store, row, owner=self._runner.me, from_utc=from_utc)
            self._owed.pop(row, None)


def batch_size(n_due: int, n_services: int) -> int:
    """Return how many runs a service takes at once: as many as one question for weather brings at most.

    Of several each takes half of its share of what is due, so that the last of them are shared out too where services
    are not alike.
    """
    if n_services <= 1:
        return BATCH
    return min(BATCH, max(1, math.ceil(n_due / (SHARES_EACH * n_services))))


def rows_ahead(config: Config, now_utc: datetime, until_utc: datetime) -> Iterator[PlannedRun]:
    """Give the runs of a config that may start before until_utc and are not past their deadline."""
    for site in config.sites:
        lead, today = lead_min(config, site), times.local_date(now_utc, site.zone)
        for day in (today + timedelta(days=n) for n in range(-1, 3)):
            if shift.is_working_day(site, day):
                for row in _rows_of(site, day, lead):
                    if row.from_utc < until_utc and row.deadline_utc > now_utc:
                        yield row


def _rows_of(site: Site, day: date, lead: float) -> Sequence[PlannedRun]:
    """Return a site's runs of a local date."""
    start_utc, deadline_utc = due.run_window_utc(site, day, lead)
    mail_utc = times.moment_utc(day, site.mail_at, site.zone)
    windows = [(MORNING, start_utc, mail_utc, deadline_utc)]
    for at in site.recheck_at:
        from_utc, end_utc = due.recheck_window_utc(site, day, at)
        windows.append((recheck.edition(at), from_utc, from_utc, end_utc))
    return [
        PlannedRun(
            site_id=site.id,
            day=day,
            edition=edition,
            from_utc=from_utc,
            mail_utc=mail_utc,
            deadline_utc=end_utc,
            tile=tile(site),
        )
        for edition, from_utc, mail_utc, end_utc in windows
    ]


def tile(site: Site) -> str:
    """Return the cell of a weather model that a site lies in."""
    return f"{site.latitude_deg // TILE_DEG:.0f}/{site.longitude_deg // TILE_DEG:.0f}"


def fingerprint(config: Config) -> str:
    """Return what tells the plan of one config from another's: sites, places and times."""
    digest = hashlib.sha256()
    for site in config.sites:
        own = (site.id, str(site.zone), site.mail_at, site.deadline, site.recheck_at, site.working_days, site.holidays)
        digest.update(repr((*own, tile(site), lead_min(config, site))).encode())
    return digest.hexdigest()
