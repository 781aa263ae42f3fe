"""The service: mornings, re-checks, delivery, and a watch over all of it, until it is told to stop."""

from __future__ import annotations

import logging
import random
import threading
from collections.abc import Mapping
from datetime import date, datetime

from gonogo.config import Config
from gonogo.download.forecasts import Fetch
from gonogo.errors import StoreBusyError, StoreError
from gonogo.outgoing import delivery, notices, operator_digest
from gonogo.outgoing.rounds import Memory, delivery_line
from gonogo.service import clock, due, schedule, stop_signals
from gonogo.service.answers_by_mail import AnswersByMail
from gonogo.service.day_queue import DayQueue
from gonogo.service.runner import Runner
from gonogo.service.site_processes import n_wanted
from gonogo.service.watch import RunsWatch
from gonogo.service.weekly_score import WeeklyScore
from gonogo.service.workers import Workers
from gonogo.store import patience, thinning

log = logging.getLogger("gonogo.service.service")

LOGGED_SITES = 500  # whose next runs are told at the start


def serve(
    config: Config,
    *,
    stop: threading.Event | None = None,
    reread: threading.Event | None = None,
    fetch: Fetch | None = None,
    environ: Mapping[str, str] | None = None,
    n_workers: int | None = None,
) -> None:
    """Run the service until it is told to stop.

    stop      ends it; SIGTERM and SIGINT do when None
    reread    has the config read again, whether its files look changed or not
    fetch     asks the weather services; those of the config when None
    environ   for the secrets that a changed config names
    n_workers   processes that make the runs, None = as the number of sites and cores calls for
    """
    halt = stop or threading.Event()
    again = reread or threading.Event()
    if stop is None:
        stop_signals.heed_signals(halt, again)
    service = Service(config, halt=halt, fetch=fetch, environ=environ or {}, n_workers=n_workers)
    service.configs.reread = again
    try:
        service.begin()
        schedule.serve(service.work(), stop=halt)
    finally:
        service.end()
    log.info("stopped")


class Service:
    """What a running service is made of: runs, the watch over them, and the delivery of their mails."""

    def __init__(
        self,
        config: Config,
        *,
        halt: threading.Event,
        fetch: Fetch | None,
        environ: Mapping[str, str],
        n_workers: int | None = None,
    ) -> None:
        n_processes = n_wanted(n_workers, len(config.sites))
        self.runner = Runner(config, fetch=fetch, environ=environ, n_processes=n_processes)
        self.configs, self.store, self.sites = self.runner.configs, self.runner.store, self.runner.sites
        self.run_morning, self.run_recheck = self.runner.run_morning, self.runner.run_recheck
        self.halt = halt
        self._queue = DayQueue(self.runner) if self.runner.sign.is_kept else None
        self._watch = RunsWatch(self.runner, self._queue)
        self._answers = AnswersByMail(self.runner, lambda: not halt.is_set())
        self._memory, self._rng = Memory(), random.Random()
        self._thinned: date | None = None
        self._score = WeeklyScore(self.store)

    def work(self) -> schedule.ScheduledWork:
        """Return what the schedule runs."""
        return schedule.ScheduledWork(
            sites=self.sites,
            lead_min=self.runner.lead_min,
            is_done=self.runner.is_done,
            run_morning=self.run_morning,
            run_recheck=self.run_recheck,
            watch=self.watch,
            deliver=self.deliver,
            thin=self.thin,
            stepped=self.stepped,
            read_mailbox=self._answers.read,
            recheck_after_replies=self._answers.recheck,
            batch_of=self.runner.questions.batch_of,
            n_workers=self.runner.n_workers,
            queue=self._queue,
            heard=self.runner.hear_by,
        )

    def end(self) -> None:
        """Let go of all that it holds."""
        self.runner.end()

    def begin(self) -> None:
        """Log when each site's next run starts, and let go what another clock had put off."""
        self.runner.wake_waiting()
        for site in self.sites()[:LOGGED_SITES]:
            starts = due.next_start_utc(site, clock.clock_utc(), self.runner.lead_min(site))
            if starts is not None:
                at = starts.astimezone(site.zone).isoformat(timespec="minutes")
                log.info("next run %s", at, extra={"site": site.id})
        if len(self.sites()) > LOGGED_SITES:
            log.info("%d more sites", len(self.sites()) - LOGGED_SITES)

    def stepped(self, step_s: float) -> None:
        """Start over with a clock that was set by so many seconds."""
        self.runner.stepped(step_s)
        self._watch.stepped()

    def watch(self, now_utc: datetime, workers: Workers) -> None:
        """One check by the watch."""
        self._watch.check(now_utc, workers)

    def deliver(self, now_utc: datetime) -> None:
        """One round of the delivery worker."""
        config = self.configs.accepted
        self._score.put_due(config, now_utc)
        worker = delivery.Worker(
            store=self.store,
            transport=config.transport,
            now_utc=clock.clock_utc,
            owner=self.runner.me,
            rng=self._rng,
            memory=self._memory,
            expired_fallback=notices.expired_fallback(config, now_utc),
            failed_fallback=notices.failed_fallback(config, now_utc),
            may_go_on=lambda: not self.halt.is_set(),
            may_expire=self.runner.trust.may_expire,
            tell_together=lambda: operator_digest.put_together(self.store, config, now_utc=clock.clock_utc()),
        )
        while not self.halt.is_set():
            try:
                report = worker.round()
            except StoreError as error:
                log.exception("the outbox could not be used; it is tried again")
                self._watch.operator.tell_store_fault(error, now_utc)
                if isinstance(error, StoreBusyError):  # at once: whoever waits for a lock has it as soon as it is free
                    self.halt.wait(patience.PAUSE_S)
                    continue
                return
            if not report.is_good:
                log.warning("%s", delivery_line(report, config.transport))
            return

    def thin(self, now_utc: datetime) -> None:
        """Once a day let go of what is old and neither an export nor a score needs, until told to stop."""
        if self._thinned == now_utc.date():
            return
        config, self._thinned = self.configs.accepted, now_utc.date()
        longest = {
            name: max(config.settings[site.id][name] for site in config.sites)
            for name in ("answer_keep_days", "mail_body_keep_days", "detail_keep_days")
        }
        keep = thinning.KeepDays(
            answers=longest["answer_keep_days"],
            mail_bodies=longest["mail_body_keep_days"],
            details=longest["detail_keep_days"],
        )
        try:
            gone = thinning.thin(self.store, keep, now_utc=now_utc, go_on=lambda: not self.halt.is_set())
        except StoreError:
            log.exception("what is old could not be thinned; it is tried again tomorrow")
            return
        if gone:
            log.info(
                "thinned: %d weather answers, %d bodies of mails, details of %d runs, %d superseded rows of learning",
                gone.answers,
                gone.mail_bodies,
                gone.runs,
                gone.learned,
            )
