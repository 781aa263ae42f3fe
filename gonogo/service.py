"""When: the calendar of each site says what is due, APScheduler wakes this up. What runs stands elsewhere."""

from __future__ import annotations

import contextlib
import logging
import queue
import signal
import threading
from collections.abc import Callable, Iterable
from datetime import UTC, date, datetime, time, timedelta
from functools import partial

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.jobstores.base import JobLookupError
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.interval import IntervalTrigger

from gonogo import times
from gonogo.records import Site

log = logging.getLogger("gonogo.service")

TICK_S = 20
DELIVERY_TICK_S = 15
LOOK_WINDOW = timedelta(hours=1)  # a look that could not begin within this is left out: the next one is newer
# Before the mail time the watch needs a moment to write its notices and the worker one to send them.
NOTICE_LEAD = timedelta(minutes=1)
LEAST_RUN = timedelta(minutes=2)  # what a run gets in any case, where the service was started late
WORKERS = 2  # numpy computes outside Python's lock: as many as there are cores on a small machine
MOST_SPARE_WORKERS = 8


def run_window_utc(site: Site, day: date, lead_min: float) -> tuple[datetime, datetime]:
    """Return when the morning run of a local date may start, and the deadline after which it is useless.

    Both are single moments even where the clock is set: see times.moment_utc.
    """
    start = times.moment_utc(day, site.mail_at, site.zone) - timedelta(minutes=lead_min)
    end_day = day if site.deadline > site.mail_at else day + timedelta(days=1)
    return start, times.moment_utc(end_day, site.deadline, site.zone)


def due_day(site: Site, now_utc: datetime, lead_min: float) -> date | None:
    """Return the local date whose morning run is due at a site now, or None.

    A missed morning is caught up until its deadline and not after. The neighbouring dates are asked too, since a
    lead reaches back over midnight and a deadline may lie past it.
    """
    today = times.local_date(now_utc, site.zone)
    for day in (today - timedelta(days=1), today, today + timedelta(days=1)):
        start, deadline = run_window_utc(site, day, lead_min)
        if start <= now_utc < deadline and times.is_working_day(site, day):
            return day
    return None


def due_look(site: Site, now_utc: datetime) -> tuple[date, time] | None:
    """Return the later look that is due at a site now, or None. Of two that are due, the later one."""
    today = times.local_date(now_utc, site.zone)
    due = None
    for at in site.later_looks:
        start = times.moment_utc(today, at, site.zone)
        if times.is_working_day(site, today) and start <= now_utc < start + LOOK_WINDOW:
            due = (today, at)
    return due


def next_start_utc(site: Site, now_utc: datetime, lead_min: float, horizon_days: int = 60) -> datetime | None:
    """Return when the next morning run of a site starts, or None where no working day lies ahead."""
    today = times.local_date(now_utc, site.zone)
    for ahead in range(-1, horizon_days):
        day = today + timedelta(days=ahead)
        start, _ = run_window_utc(site, day, lead_min)
        if start > now_utc and times.is_working_day(site, day):
            return start
    return None


def give_up_utc(site: Site, day: date, seen_utc: datetime, limit_min: float) -> datetime:
    """Return when a morning run that has not finished is given up, so that the crews get a notice on time.

    seen_utc   when the run was first seen to be due
    """
    before_mail = times.moment_utc(day, site.mail_at, site.zone) - NOTICE_LEAD
    limit = max(timedelta(minutes=limit_min), LEAST_RUN)
    return max(min(seen_utc + limit, before_mail), seen_utc + min(limit, LEAST_RUN))


def clock_utc() -> datetime:
    """Return the machine's time. The only clock of the service."""
    return datetime.now(UTC)


class Workers:
    """A few threads that run what is put to them, each key once at a time.

    The threads are daemons: one that hangs holds up neither the others nor the end of the process. What it was at is
    safe: nothing of a run is stored before it is whole.
    """

    def __init__(self, n_workers: int = WORKERS) -> None:
        self._waiting: queue.SimpleQueue[tuple[object, Callable[[], None]]] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._under_way: set[object] = set()
        self._given_up: set[object] = set()
        self._n_spare = 0
        self._is_idle = threading.Condition(self._lock)
        for _ in range(n_workers):
            self._start()

    def put(self, key: object, work: Callable[[], None]) -> bool:
        """Run something in a thread, unless something with the same key still runs or waits."""
        with self._lock:
            if key in self._under_way:
                return False
            self._under_way.add(key)
        self._waiting.put((key, work))
        return True

    def give_up(self, key: object) -> None:
        """Put a fresh thread in the place of the one that is at a key and does not come back."""
        with self._lock:
            is_new = key in self._under_way and key not in self._given_up and self._n_spare < MOST_SPARE_WORKERS
            if is_new:
                self._given_up.add(key)
                self._n_spare += 1
        if is_new:
            self._start()

    def wait(self, timeout_s: float) -> bool:
        """Wait until all is done that was put and not given up; return whether it is."""
        with self._is_idle:
            return self._is_idle.wait_for(lambda: self._under_way <= self._given_up, timeout_s)

    def _start(self) -> None:
        threading.Thread(target=self._work, daemon=True, name="gonogo-run").start()

    def _work(self) -> None:
        while True:
            key, work = self._waiting.get()
            try:
                work()
            except Exception:  # the thread must live for the next run; the watch tells the crews of this one
                log.exception("a run ended in a fault")
            with self._is_idle:
                self._under_way.discard(key)
                is_replaced = key in self._given_up
                self._given_up.discard(key)
                self._n_spare -= is_replaced
                self._is_idle.notify_all()
            if is_replaced:
                return  # it came back after all; its place is taken


def serve(
    sites: Callable[[], Iterable[Site]],
    *,
    lead_min: Callable[[Site], float],
    run_morning: Callable[[Site, date, datetime], None],
    run_look: Callable[[Site, date, time, datetime], None],
    watch: Callable[[datetime, Workers], None],
    deliver: Callable[[datetime], None],
    stop: threading.Event,
    clock: Callable[[], datetime] = clock_utc,
    stop_wait_s: float = 60.0,
) -> None:
    """Run until `stop` is set: mornings and later looks as they fall due, deliveries all the while.

    run_morning, run_look   must be safe to call again: the claim in the database lets one through
    watch                   looks after runs that take too long; runs beside them, never behind them
    deliver                 one round of the delivery worker; also called at once when a run has ended
    stop_wait_s             how long runs under way may take to end after `stop`

    The calendar is asked every TICK_S seconds rather than a timer set for the moment: so a machine that slept, a
    clock that was set, and a day with two 02:30s all come out right by the same line of code.
    """
    workers = Workers()
    scheduler = BackgroundScheduler(
        timezone=UTC, executors={"default": ThreadPoolExecutor(3)}, job_defaults={"misfire_grace_time": None}
    )

    def run_and_deliver(run: Callable[[datetime], None]) -> None:
        if stop.is_set():
            return
        try:
            run(clock())
        finally:
            with contextlib.suppress(JobLookupError):
                scheduler.modify_job("delivery", next_run_time=datetime.now(UTC))

    def tick() -> None:
        now_utc = clock()
        for site in sites():
            day = due_day(site, now_utc, lead_min(site))
            if day is not None:
                workers.put((site.id, day, "morning"), partial(run_and_deliver, partial(run_morning, site, day)))
            look = due_look(site, now_utc)
            if look is not None:
                workers.put((site.id, *look), partial(run_and_deliver, partial(run_look, site, *look)))

    def watch_tick() -> None:
        if not stop.is_set():
            watch(clock(), workers)

    def delivery_tick() -> None:
        if not stop.is_set():
            deliver(clock())

    # Immediate first ticks: a service that starts late catches up now, not a tick later.
    for name, job, every_s in (
        ("mornings", tick, TICK_S),
        ("watch", watch_tick, TICK_S),
        ("delivery", delivery_tick, DELIVERY_TICK_S),
    ):
        scheduler.add_job(
            job,
            IntervalTrigger(seconds=every_s),
            id=name,
            coalesce=True,
            max_instances=1,
            next_run_time=datetime.now(UTC),
        )
    scheduler.start()
    try:
        stop.wait()
    finally:
        scheduler.shutdown(wait=True)
        if not workers.wait(stop_wait_s):
            log.warning("a run did not end in time; nothing of it was stored, and the next start takes it up")


def stop_on_signals(stop: threading.Event) -> None:
    """Let SIGTERM and SIGINT end the service after the step that is under way."""

    def handler(number: int, _frame: object) -> None:
        log.info("stopping on %s", signal.Signals(number).name)
        stop.set()

    signal.signal(signal.SIGTERM, handler)
    signal.signal(signal.SIGINT, handler)
