"""The watch over runs: notices where one takes too long, mails to the operator, ping, health file, clock."""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Collection, Sequence
from datetime import date, datetime, timedelta
from functools import partial
from time import monotonic

from gonogo import times
from gonogo.errors import StoreBusyError, StoreError
from gonogo.morning import compute
from gonogo.morning.run import Refusal
from gonogo.outgoing import mails
from gonogo.outgoing.direct import Direct
from gonogo.outgoing.frame import MORNING
from gonogo.records.site import Site
from gonogo.service import alive, due, health, last_good, logs
from gonogo.service.clock_trust import CLOCKS_APART
from gonogo.service.day_queue import DayQueue
from gonogo.service.operator_mail import OperatorMail
from gonogo.service.ping import ping
from gonogo.service.runner import Runner
from gonogo.service.site_state import has_own_verdict, is_good_morning, with_own_verdicts
from gonogo.service.workers import Workers, live_on
from gonogo.store import ahead, planned, runs, schema
from gonogo.store.planned import UnseenRun

log = logging.getLogger("gonogo.service.watch")

MISSED_TEXT = "This morning's run was not made in time; the operator has been told."
KEPT_DAYS = timedelta(days=3)  # what the process remembers of mornings done


class RunsWatch:
    """Looks after the runs of a runner every few seconds, and remembers what it has said and to whom."""

    def __init__(self, runner: Runner, queue: DayQueue | None = None) -> None:
        """queue: of the runs that several services share; without one every site is looked at."""
        self._runner, self._queue = runner, queue
        self._seen: dict[tuple[str, date], datetime] = {}
        self._direct = Direct()
        self.operator = OperatorMail(runner, self._direct)
        self._mark = alive.Mark()
        self._last_good = last_good.LastGoodWriter()
        self._states = health.States()
        self._mornings: dict[str, date] = {}
        self._pinged: set[tuple[str, date]] = set()
        self._missed: set[tuple[str, date]] = set()
        self._settled: set[tuple[str, date]] = set()
        # When the plan was read last, and which mornings that were due then were not made.
        self._looked: tuple[datetime, frozenset[tuple[str, date]]] | None = None
        self._busy: StoreBusyError | None = None  # the lock of another session that this check has met

    def check(self, now_utc: datetime, workers: Workers) -> None:
        """Give up runs that take too long, tell the operator of faults, ping, and write the health file."""
        self._busy = None
        steps: list[Callable[[], None]] = [self._runner.configs.refresh]
        steps += [partial(tell, now_utc) for tell in self.operator.tellers()]
        steps.append(partial(self._settle_clock, now_utc, workers))
        if self._queue is None:
            steps += [partial(self._look_at, site, now_utc, workers) for site in self._runner.sites()]
        else:
            steps.append(partial(self._look_at_queue, self._queue, now_utc, workers))
        steps += [
            lambda: self._last_good.keep(self._runner.configs.accepted, self._mornings),
            partial(self._forget_old, now_utc),
            partial(self._write_health, now_utc),
            lambda: self._mark.write(self._runner.configs.accepted, self._runner.me, now_utc=now_utc),
        ]
        for step in workers.until_stopped(steps):  # no fault of one keeps a site from its notices
            live_on(step, fault_text="the watch met a fault")

    def stepped(self) -> None:
        """Count again how long runs take: the clock was set."""
        self._seen.clear()
        self._missed.clear()
        self._settled.clear()

    def _look_at_queue(self, queue: DayQueue, now_utc: datetime, workers: Workers) -> None:
        """Look at the mornings among the planned runs that want it: late, or done and not yet looked after."""
        is_planned, rows = False, tuple[UnseenRun, ...]()
        try:
            self._require_free()
            is_planned = queue.try_plan(now_utc)
            rows = planned.unseen(self._runner.store, MORNING, now_utc=now_utc)
            self._mornings.update(queue.made(now_utc))
            self._looked = (now_utc, frozenset((row.site_id, row.day) for row in rows if not row.is_done))
        except StoreError as error:
            self._note(error)
            is_planned = False
        for known in workers.until_stopped(() if is_planned else self._runner.sites()):  # no plan can be read
            self._look_at(known, now_utc, workers)
        seen, has_verdict = [], self._with_verdicts([(row.site_id, row.day) for row in rows if row.is_done])
        for row in workers.until_stopped(rows):  # thousands where the machine does not keep up: little is done for each
            site, key = queue.site(row.site_id), (row.site_id, row.day)
            if site is None:
                continue
            if not row.is_done:
                self._settled.discard(key)
                if not self._is_late(site, row.day, row.mail_utc, now_utc):
                    continue
            elif has_verdict is not None and key in has_verdict:
                seen.append((*key, MORNING))
                continue
            is_in_time = due.due_day(site, now_utc, self._runner.lead_min(site)) == row.day
            if is_in_time and row.is_done and has_verdict is not None:
                self._repair(site, row.day, now_utc, workers)
            else:
                self._look_at(site, now_utc, workers)
            if key in self._settled or not is_in_time:
                seen.append((*key, MORNING))
        if seen:
            planned.mark_seen(self._runner.store, seen)

    def _with_verdicts(self, done: Sequence[tuple[str, date]]) -> Collection[tuple[str, date]] | None:
        """Return which of the mornings done have a verdict, None where each wants a look of its own: it is pinged."""
        if self._runner.configs.accepted.watch.ping_url is not None:
            return None
        try:
            self._require_free()
            with schema.read(self._runner.store) as connection:
                return with_own_verdicts(connection, MORNING, done)
        except StoreError as error:
            self._note(error)
            return None

    def _repair(self, site: Site, day: date, now_utc: datetime, workers: Workers) -> None:
        """Have a morning without a verdict made good once there is nothing else to do: it had its notices."""
        began_s = monotonic()

        def repair() -> None:
            self._runner.repair(site, day, now_utc + timedelta(seconds=monotonic() - began_s))

        if self._runner.may_be_repaired(site, day, False):
            workers.put((site.id, day, "repair"), repair, can_wait=True)

    def _may_be_unmade(self, site: Site, day: date) -> bool:
        """Whether a morning was not made by the last look: a fault that came later tells its crews nothing else."""
        if self._runner.is_done(site.id, day, None) or self._mornings.get(site.id) == day:
            return False
        if self._looked is None:
            return True
        looked_utc, unmade = self._looked
        start_utc, _ = due.run_window_utc(site, day, self._runner.lead_min(site))
        return looked_utc < start_utc or (site.id, day) in unmade

    def _note(self, error: StoreError) -> None:
        """Keep in mind that another session holds a lock: who asks next in this check would wait as long."""
        if isinstance(error, StoreBusyError):
            self._busy = error

    def _require_free(self) -> None:
        """Raise the StoreBusyError that this check has met: the notices of many sites cannot wait for it one by one."""
        if self._busy is not None:
            raise self._busy

    def _is_late(self, site: Site, day: date, mail_utc: datetime, now_utc: datetime) -> bool:
        """Whether a morning that is not done is given up, so that its crews get their notices on time."""
        seen_utc = self._seen.setdefault((site.id, day), now_utc)
        seen_utc = max(seen_utc, self._runner.begun_utc(site.id, day) or seen_utc)
        limit_min = self._runner.configs.accepted.settings[site.id]["run_limit_min"]
        gives_up_utc = due.give_up_for_mail_utc(mail_utc, seen_utc, limit_min)
        return now_utc >= gives_up_utc and not self._runner.trust.is_surely_wrong

    def _look_at(self, site: Site, now_utc: datetime, workers: Workers) -> None:
        config, runner = self._runner.configs.accepted, self._runner
        if (day := due.due_day(site, now_utc, runner.lead_min(site))) is None:
            self._look_for_missed(site, now_utc, workers)
            return
        if (site.id, day) in self._settled:
            return
        is_late = self._is_late(site, day, times.moment_utc(day, site.mail_at, site.zone), now_utc)
        try:
            self._require_free()
            with schema.read(runner.store) as connection:
                run = runs.last_run(connection, site.id, day=day, edition=MORNING)
                is_good = run is not None and is_good_morning(connection, run)
                has_verdict = run is not None and has_own_verdict(connection, run)
            if run is None and is_late:
                workers.give_up((site.id, day, MORNING))
                self._give_up(site, day, now_utc)
            if run is not None:
                self._mornings[site.id] = day
        except StoreError as error:
            self._note(error)
            self.operator.tell_store_fault(error, now_utc)
            if is_late and self._may_be_unmade(site, day):
                log.exception("the database cannot be used; the notices go out without it", extra={"site": site.id})
                self._notify_directly(site, day, now_utc)
            return
        if run is not None and not has_verdict:
            self._repair(site, day, now_utc, workers)
        url = config.watch.ping_url
        if has_verdict and (url is None or is_good):
            self._settled.add((site.id, day))
        if is_good and url is not None and (site.id, day) not in self._pinged:
            self._pinged.add((site.id, day))
            workers.put(("ping", site.id, day), partial(self._ping, url, site.id, day))

    def _look_for_missed(self, site: Site, now_utc: datetime, workers: Workers) -> None:
        """Tell crews and operator of a morning that nobody made before its deadline, while the shift runs.

        A site that never ran has missed nothing yet.
        """
        day = due.missed_day(site, now_utc)
        trust = self._runner.trust
        is_doubtful = not trust.may_run or abs(trust.set_by) > CLOCKS_APART
        if day is None or (site.id, day) in self._missed or is_doubtful:
            return
        try:
            self._require_free()
            with schema.read(self._runner.store) as connection:
                is_made = runs.last_run(connection, site.id, day=day, edition=MORNING) is not None
                is_new = runs.last_run(connection, site.id) is None
        except StoreError as error:
            self._note(error)
            self.operator.tell_store_fault(error, now_utc)
            return
        self._missed.add((site.id, day))
        if not (is_made or is_new):
            workers.put(("missed", site.id, day), partial(self._tell_missed, site, day, now_utc))

    def _tell_missed(self, site: Site, day: date, now_utc: datetime) -> None:
        """Tell of a missed morning, unless a weather service's Date says that the machine's clock is wrong."""
        offset_s = self._runner.questions.asked_offset_s(site, now_utc)
        if math.isfinite(offset_s) and abs(offset_s) > CLOCKS_APART.total_seconds():
            self._runner.trust.refuted(timedelta(seconds=offset_s))
            self._missed.discard((site.id, day))
            return
        reason = f"The service was not at work before {site.deadline:%H:%M}."
        self._runner.refuse(site, day, now_utc, Refusal(reason=MISSED_TEXT, faults=(reason,)), is_missed=True)

    def _ping(self, url: str, site_id: str, day: date) -> None:
        if not ping(url, site_id):
            self._pinged.discard((site_id, day))
            self._settled.discard((site_id, day))  # asked again at the next check

    def _give_up(self, site: Site, day: date, now_utc: datetime) -> None:
        """Tell a site's crews and the operator that there is no verdict."""
        faults = self._runner.configs.faults
        reason = compute.CONFIG_TEXT if faults else compute.OVERRUN_TEXT
        faults = faults or ("The run did not finish in its time.",)
        self._runner.refuse(site, day, now_utc, Refusal(reason=reason, faults=faults))

    def _notify_directly(self, site: Site, day: date, now_utc: datetime) -> None:
        """Send the notices past the outbox, each once for this process: the database is what fails."""
        frame = self._runner.morning_frame(site, day, now_utc, edition="notice")
        make = partial(mails.plain_mails, frame, compute.COMPUTATION_TEXT)
        self._direct.send_made((site.id, day), frame.config, make)

    def _settle_clock(self, now_utc: datetime, workers: Workers) -> None:
        """Void runs that stand in the future once it is sure that the clock which made them was wrong, not this one."""
        try:
            self._runner.release_failed(now_utc)
            is_needed = ahead.holds_future_runs(self._runner.store, now_utc=now_utc)
        except StoreError as error:
            self._note(error)
            return  # whatever needs the database says so
        if is_needed:
            if self._runner.trust.is_back:
                self._take_back(now_utc)
            elif self._runner.trust.may_ask():
                workers.put("the clock", partial(self._take_back_if_right, now_utc))

    def _take_back_if_right(self, now_utc: datetime) -> None:
        """Ask a weather service for its Date, and believe the machine's clock where the two agree."""
        offset_s = self._runner.questions.asked_offset_s(self._runner.sites()[0], now_utc)
        if math.isfinite(offset_s) and abs(offset_s) <= CLOCKS_APART.total_seconds():
            self._take_back(now_utc)

    def _take_back(self, now_utc: datetime) -> None:
        n_void = ahead.take_back(self._runner.store, now_utc=now_utc)
        self._settled.clear()
        log.warning("%d runs that a clock ahead of its time had made were voided; they are made again", n_void)

    def _write_health(self, now_utc: datetime) -> None:
        configs, fault = self._runner.configs, str(self._runner.unstored)
        if (path := configs.accepted.watch.health_file) is None:
            return
        try:
            self._require_free()
            self._states.look(self._runner.store, configs.accepted, self._runner.ended, now_utc=now_utc)
            state = health.snapshot(self._states, now_utc=now_utc, config_faults=configs.faults, store_fault=fault)
        except StoreError as error:
            state = health.without_store(now_utc=now_utc, fault=str(error))
        try:
            health.write(path, state, cleaner=logs.Cleaner(logs.secrets_of(configs.accepted)))
        except OSError as error:
            log.error("the health file could not be written: %s", error.strerror)

    def _forget_old(self, now_utc: datetime) -> None:
        """Let go of what is remembered of days gone by."""
        oldest = (now_utc - KEPT_DAYS).date()
        self._runner.forget_before(oldest)
        self._seen = {key: at for key, at in self._seen.items() if key[1] >= oldest}
        self._pinged = {key for key in tuple(self._pinged) if key[1] >= oldest}
        self._settled = {key for key in tuple(self._settled) if key[1] >= oldest}
