"""When: APScheduler wakes this up, and the calendar of each site says what is due. What runs is morning.py's."""

from __future__ import annotations

import logging
import signal
import threading
from collections.abc import Callable, Iterable
from datetime import UTC, date, datetime, timedelta

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.interval import IntervalTrigger

from gonogo import times
from gonogo.records import Site

log = logging.getLogger("gonogo.service")

TICK_S = 20
DELIVERY_TICK_S = 15


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


def next_start_utc(site: Site, now_utc: datetime, lead_min: float, horizon_days: int = 60) -> datetime | None:
    """Return when the next morning run of a site starts, or None where no working day lies ahead."""
    today = times.local_date(now_utc, site.zone)
    for ahead in range(-1, horizon_days):
        day = today + timedelta(days=ahead)
        start, _ = run_window_utc(site, day, lead_min)
        if start > now_utc and times.is_working_day(site, day):
            return start
    return None


def clock_utc() -> datetime:
    """Return the machine's time. The only clock of the service."""
    return datetime.now(UTC)


def serve(
    sites: Iterable[Site],
    *,
    lead_min: Callable[[Site], float],
    run_morning: Callable[[Site, date, datetime], None],
    deliver: Callable[[datetime], None],
    stop: threading.Event,
    clock: Callable[[], datetime] = clock_utc,
) -> None:
    """Run until `stop` is set: mornings as they fall due, deliveries all the while.

    run_morning   must be safe to call again for the same (site, date): the claim in the database lets one through
    deliver       one round of the delivery worker

    The calendar is asked every TICK_S seconds rather than a timer set for the moment: so a machine that slept, a
    clock that was set, and a day with two 02:30s all come out right by the same line of code.
    """
    all_sites = tuple(sites)

    def tick() -> None:
        now_utc = clock()
        for site in all_sites:
            if stop.is_set():
                return
            day = due_day(site, now_utc, lead_min(site))
            if day is not None:
                run_morning(site, day, now_utc)

    def delivery_tick() -> None:
        if not stop.is_set():
            deliver(clock())

    scheduler = BackgroundScheduler(
        timezone=UTC, executors={"default": ThreadPoolExecutor(2)}, job_defaults={"misfire_grace_time": None}
    )
    # Immediate first ticks: a service that starts late catches up now, not a tick later.
    first = datetime.now(UTC)
    scheduler.add_job(
        tick, IntervalTrigger(seconds=TICK_S), id="mornings", coalesce=True, max_instances=1, next_run_time=first
    )
    scheduler.add_job(
        delivery_tick,
        IntervalTrigger(seconds=DELIVERY_TICK_S),
        id="delivery",
        coalesce=True,
        max_instances=1,
        next_run_time=first,
    )
    scheduler.start()
    try:
        stop.wait()
    finally:
        scheduler.shutdown(wait=True)


def stop_on_signals(stop: threading.Event) -> None:
    """Let SIGTERM and SIGINT end the service after the step that is under way."""

    def handler(number: int, _frame: object) -> None:
        log.info("stopping on %s", signal.Signals(number).name)
        stop.set()

    signal.signal(signal.SIGTERM, handler)
    signal.signal(signal.SIGINT, handler)
