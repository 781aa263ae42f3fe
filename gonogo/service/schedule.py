"""When: the calendar of each site says what is due, APScheduler wakes this up. What runs stands elsewhere."""

from __future__ import annotations

import contextlib
import logging
import signal
import threading
from collections.abc import Callable, Iterable
from datetime import UTC, date, datetime, time
from functools import partial

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.jobstores.base import JobLookupError
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.interval import IntervalTrigger

from gonogo.records.site import Site
from gonogo.service.clock import clock_utc
from gonogo.service.due import due_day, due_look
from gonogo.service.workers import Workers

log = logging.getLogger("gonogo.service.schedule")

TICK_S = 20
DELIVERY_TICK_S = 15


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
