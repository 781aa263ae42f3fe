"""When: APScheduler fires each site's morning and re-checks in the site's own zone; the calendar says when that is.

A trigger asks `due.py` for its next moment rather than a pattern of the library's: a pattern leaves out the 02:30 that
a spring night does not have, and knows neither lead nor deadline nor free days. What fires asks the calendar once more
before it runs anything, so a job that fires late, twice or on a wrong clock does no harm.

APScheduler sleeps until a moment of the wall clock. Whoever sets that clock moves the moment, so a watch on the
monotonic clock notices every step and has all moments computed again.
"""

from __future__ import annotations

import contextlib
import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from functools import partial

from apscheduler.events import EVENT_JOB_MAX_INSTANCES, JobEvent
from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.jobstores.base import JobLookupError
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger

from gonogo.records.site import Site
from gonogo.service import due
from gonogo.service.clock import StepWatch, clock_utc
from gonogo.service.day_queue import DayQueue, Taken
from gonogo.service.own_loop import OwnLoop
from gonogo.service.workers import WORKERS, Workers
from gonogo.store import alive

log = logging.getLogger("gonogo.service.schedule")

ASKED_AGAIN = timedelta(seconds=20)  # while a run is due and not done
WATCHED_EVERY = timedelta(seconds=20)
DELIVERED_EVERY = timedelta(seconds=15)
LOOKED_FOR_RUNS_EVERY = timedelta(minutes=1)  # at least; else when one falls due, and when another service tells of one
MAILBOX_READ_EVERY = timedelta(seconds=3)  # begun again: a reading waits for mails by itself
ANSWERS_LOOKED_AT_EVERY = timedelta(seconds=20)
NOTHING_AHEAD = timedelta(days=1)  # a calendar without a working day in sight is asked again after this
THINNED_EVERY = timedelta(hours=1)  # asked; done once a day
EXECUTED_AT_ONCE = 5  # jobs: as many as there are, so that none waits for another that waits for the database
STEPS_LOOKED_FOR_S = 1.0
STOP_WAIT_S = 60.0  # how long runs under way may take to end, but for those that were to be made good
LATE_JOB_S = 86_400  # a job this late is dropped: the calendar has the next one


@dataclass(frozen=True, slots=True, kw_only=True)
class ScheduledWork:
    """What the schedule runs.

    sites         those of the config in force; another tuple where the config changed
    lead_min      how long before its mail time a site's morning starts [min]
    is_done       whether the run of (site id, date, edition or time of a re-check) is known to be done
    run_morning, run_recheck   must be safe to call again: the claim in the database lets one through
    watch         looks after runs that take too long; runs beside them, never behind them
    deliver       one round of the delivery worker; also called at once when a run has ended
    thin          lets go of what is old; whatever it takes, no mail and no run waits for it
    stepped       told by how much the clock was set [s]
    read_mailbox, recheck_after_replies   take answers by mail, and look again at what they may change; they return
                  whether there may be mails to deliver
    batch_of      sites of one number are run one after the other where that can be
    n_workers     threads that run them
    queue         gives what several services share; None where the calendar of this one alone says what is due
    heard         takes what is to be called when another service tells of something
    """

    sites: Callable[[], tuple[Site, ...]]
    lead_min: Callable[[Site], float]
    is_done: Callable[[str, date, time | None], bool]
    run_morning: Callable[[Site, date, datetime], None]
    run_recheck: Callable[[Site, date, time, datetime], None]
    watch: Callable[[datetime, Workers], None]
    deliver: Callable[[datetime], None]
    stepped: Callable[[float], None]
    thin: Callable[[datetime], None] = lambda _: None
    read_mailbox: Callable[[datetime], bool] = lambda _: False
    recheck_after_replies: Callable[[datetime], bool] = lambda _: False
    batch_of: Callable[[str], int] = lambda _: 0
    n_workers: int = WORKERS
    queue: DayQueue | None = None
    heard: Callable[[Callable[[str], None]], None] = lambda _: None


class CalendarTrigger(BaseTrigger):  # type: ignore[misc]  # the library has no types
    """Fires at the moments that a calendar names, in the zone of a site; again and again while what is due is not done.

    next_utc   asked with a moment; returns it where something is due then, else the next moment, None for none ahead
    """

    def __init__(self, next_utc: Callable[[datetime], datetime | None], zone: tzinfo) -> None:
        self._next_utc, self._zone = next_utc, zone

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:
        now_utc = now.astimezone(UTC)
        at_utc = self._next_utc(now_utc)
        if at_utc is None:
            at_utc = now_utc + NOTHING_AHEAD
        elif at_utc <= now_utc and previous_fire_time is not None:
            at_utc = now_utc + ASKED_AGAIN
        return at_utc.astimezone(self._zone)

    def __str__(self) -> str:
        return "when it is due"


class EveryTrigger(BaseTrigger):  # type: ignore[misc]  # the library has no types
    """Fires now and after each pause. Unlike the library's it makes up for no moment that a set clock passed over."""

    def __init__(self, pause: timedelta) -> None:
        self._pause = pause

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:
        return now if previous_fire_time is None else now + self._pause

    def __str__(self) -> str:
        return f"every {self._pause.total_seconds():.0f} s"


class Schedule:
    """The jobs of a running service, the threads that its runs take place in, and the one that delivers."""

    def __init__(self, work: ScheduledWork, stop: threading.Event) -> None:
        self._work, self._stop = work, stop
        self._workers, self._mail_workers = Workers(work.n_workers), Workers()
        # In a thread of its own: a job of the scheduler that moves jobs would wait for a scheduler that waits for it.
        self._taker = Workers(1)
        self._thinner = Workers(1)
        self._scheduler = BackgroundScheduler(
            timezone=UTC,
            executors={"default": ThreadPoolExecutor(EXECUTED_AT_ONCE)},
            job_defaults={"misfire_grace_time": LATE_JOB_S, "coalesce": True, "max_instances": 1},
        )
        self._scheduler.add_listener(_tell_left_out, EVENT_JOB_MAX_INSTANCES)
        # No job of the scheduler: where mails come in all the while, a round of delivery lasts for minutes.
        self._delivery = OwnLoop(self._deliver, DELIVERED_EVERY, fault_text="a round of delivery ended in a fault")
        self._planned: tuple[Site, ...] = ()

    def run(self) -> None:
        """Run until told to stop."""
        steps = StepWatch()
        self._plan()
        self._scheduler.start()
        self._delivery.start()
        self._work.heard(self._hear)
        try:
            while not self._stop.wait(STEPS_LOOKED_FOR_S):
                step_s = steps.step_s()
                if step_s:
                    log.warning("the clock was set %s by %.0f s", "ahead" if step_s > 0.0 else "back", abs(step_s))
                    self._work.stepped(step_s)
                if step_s or self._work.sites() is not self._planned:
                    self._plan()
        finally:
            for workers in (self._workers, self._mail_workers, self._taker, self._thinner):
                workers.stop()  # before the watch is waited for, which would go on putting runs
            self._scheduler.shutdown(wait=True)
            self._delivery.end()
            if not self._workers.wait(STOP_WAIT_S):
                log.warning("a run did not end in time; nothing of it was stored, and the next start takes it up")

    def _plan(self) -> None:
        """Compute every job again from the calendar: at the start, when the config changed, when the clock was set."""
        self._planned = self._work.sites()
        jobs: dict[str, tuple[Callable[[], None], BaseTrigger]] = {
            "watch": (self._watch, EveryTrigger(WATCHED_EVERY)),
            "mailbox": (self._read_mailbox, EveryTrigger(MAILBOX_READ_EVERY)),
            "answers": (self._recheck_after_replies, EveryTrigger(ANSWERS_LOOKED_AT_EVERY)),
            "thinning": (self._thin, EveryTrigger(THINNED_EVERY)),
        }
        queue = self._work.queue
        if queue is not None:
            jobs["runs"] = (partial(self._put_take, queue), EveryTrigger(LOOKED_FOR_RUNS_EVERY))
        for site in self._planned if queue is None else ():
            trigger = CalendarTrigger(partial(self._next_morning_utc, site), site.zone)
            jobs[f"morning of {site.id}"] = (partial(self._morning, site), trigger)
            for at in site.recheck_at:
                trigger = CalendarTrigger(partial(self._next_recheck_utc, site, at), site.zone)
                jobs[f"re-check of {site.id} at {at:%H:%M}"] = (partial(self._recheck, site, at), trigger)
        for job in self._scheduler.get_jobs():
            if job.id not in jobs:
                job.remove()
        for name, (function, trigger) in jobs.items():
            self._scheduler.add_job(function, trigger, id=name, name=name, replace_existing=True)
        self._delivery.want()  # by a clock that was set, other mails may be due

    def _next_morning_utc(self, site: Site, now_utc: datetime) -> datetime | None:
        lead_min = self._work.lead_min(site)
        day = due.due_day(site, now_utc, lead_min)
        if day is not None and not self._work.is_done(site.id, day, None):
            return now_utc
        return due.next_start_utc(site, now_utc, lead_min)

    def _next_recheck_utc(self, site: Site, at: time, now_utc: datetime) -> datetime | None:
        found = due.due_recheck(site, now_utc)
        if found is not None and found[1] == at and not self._work.is_done(site.id, *found):
            return now_utc
        return due.next_recheck_utc(site, at, now_utc)

    def _morning(self, site: Site) -> None:
        day = due.due_day(site, clock_utc(), self._work.lead_min(site))
        if day is not None and not self._work.is_done(site.id, day, None):
            self._put((site.id, day, "morning"), partial(self._work.run_morning, site, day), site.id)

    def _recheck(self, site: Site, at: time) -> None:
        found = due.due_recheck(site, clock_utc())
        if found is not None and found[1] == at and not self._work.is_done(site.id, *found):
            self._put((site.id, *found), partial(self._work.run_recheck, site, *found), site.id)

    def _put(self, key: object, run: Callable[[datetime], None], site_id: str) -> None:
        """Run something in a worker thread, and let its mails out as soon as it has ended."""

        def run_and_deliver() -> None:
            if self._stop.is_set():
                return
            try:
                run(clock_utc())
            finally:
                self._delivery.want()

        self._workers.put(key, run_and_deliver, self._work.batch_of(site_id))

    def _put_take(self, queue: DayQueue) -> None:
        self._taker.put("runs", partial(self._take, queue))

    def _take(self, queue: DayQueue) -> None:
        """Take runs from what services share, as long as this one has threads for them."""
        while not self._stop.is_set() and self._workers.n_waiting < self._work.n_workers:
            batch = queue.take(clock_utc())
            for taken in batch:
                self._workers.put(taken.key, partial(self._run_taken, queue, taken), taken.row.tile)
            if not batch:
                break
        # Asked here and not by the trigger: a database that is slow to answer must not stop the scheduler.
        self._begin_at("runs", queue.next_utc(clock_utc()))

    def _run_taken(self, queue: DayQueue, taken: Taken) -> None:
        if self._stop.is_set():
            return
        try:
            queue.run(taken, clock_utc())
        finally:
            self._delivery.want()
            if self._workers.n_waiting < self._work.n_workers:
                self._begin_now("runs")

    def _hear(self, channel: str) -> None:
        """Do at once what another service told of."""
        if channel == alive.MAILS:
            self._delivery.want()
        else:
            self._begin_now("runs")

    def _begin_now(self, job: str) -> None:
        self._begin_at(job, clock_utc())

    def _begin_at(self, job: str, at_utc: datetime) -> None:
        with contextlib.suppress(JobLookupError):
            self._scheduler.modify_job(job, next_run_time=at_utc)

    def _read_mailbox(self) -> None:
        self._put_mail_work("mailbox", self._work.read_mailbox)

    def _recheck_after_replies(self) -> None:
        self._put_mail_work("answers", self._work.recheck_after_replies)

    def _put_mail_work(self, key: str, run: Callable[[datetime], bool]) -> None:
        """Run something in a thread of its own, so that a mailbox that is waited on holds up no morning."""

        def run_and_maybe_deliver() -> None:
            if not self._stop.is_set() and run(clock_utc()):
                self._delivery.want()

        self._mail_workers.put(key, run_and_maybe_deliver)

    def _watch(self) -> None:
        if not self._stop.is_set():
            self._work.watch(clock_utc(), self._workers)

    def _thin(self) -> None:
        self._thinner.put("thinning", lambda: self._work.thin(clock_utc()))

    def _deliver(self) -> None:
        if not self._stop.is_set():
            self._work.deliver(clock_utc())


def _tell_left_out(event: JobEvent) -> None:
    """Log that a job is still at its last turn, in words of our own in place of the library's."""
    log.warning("the %s is not through with its last turn; this one is left out", event.job_id)


def serve(work: ScheduledWork, *, stop: threading.Event) -> None:
    """Run until `stop` is set: mornings and re-checks as they fall due, deliveries all the while."""
    Schedule(work, stop).run()
