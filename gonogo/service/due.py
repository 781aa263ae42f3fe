"""When mornings and re-checks are due: questions to the calendar."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta

from gonogo import times
from gonogo.config import Config
from gonogo.records import shift
from gonogo.records.days_off import LOOK_AHEAD_DAYS, is_over
from gonogo.records.site import Site

RECHECK_WINDOW = timedelta(hours=1)  # a re-check that could not begin within this is left out: the next one is newer


# Before the mail time the watch needs a moment to write its notices and the worker one to send them.
NOTICE_LEAD = timedelta(minutes=1)


LEAST_RUN = timedelta(minutes=2)  # what a run gets in any case, where the service was started late


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
        if start <= now_utc < deadline and shift.is_working_day(site, day):
            return day
    return None


def missed_day(site: Site, now_utc: datetime) -> date | None:
    """Return the local date whose deadline is over while its shift still runs, or None."""
    today = times.local_date(now_utc, site.zone)
    _, deadline = run_window_utc(site, today, 0.0)
    _, shift_end = shift.shift_utc(site, today)
    return today if shift.is_working_day(site, today) and deadline <= now_utc < shift_end else None


def recheck_window_utc(site: Site, day: date, at: time) -> tuple[datetime, datetime]:
    """Return between which moments a re-check of a local date may start."""
    start = times.moment_utc(day, at, site.zone)
    return start, start + RECHECK_WINDOW


def due_recheck(site: Site, now_utc: datetime) -> tuple[date, time] | None:
    """Return the re-check that is due at a site now, or None. Of two that are due, the later one."""
    today = times.local_date(now_utc, site.zone)
    found = None
    for at in site.recheck_at:
        start, end = recheck_window_utc(site, today, at)
        if shift.is_working_day(site, today) and start <= now_utc < end:
            found = (today, at)
    return found


def next_recheck_utc(site: Site, at: time, now_utc: datetime, horizon_days: int = LOOK_AHEAD_DAYS) -> datetime | None:
    """Return when the next re-check of a local time starts at a site, or None where no working day lies ahead."""
    today = times.local_date(now_utc, site.zone)
    for ahead in range(horizon_days):
        day = today + timedelta(days=ahead)
        start = times.moment_utc(day, at, site.zone)
        if is_over(site, day):
            return None
        if start > now_utc and shift.is_working_day(site, day):
            return start
    return None


def next_start_utc(
    site: Site, now_utc: datetime, lead_min: float, horizon_days: int = LOOK_AHEAD_DAYS
) -> datetime | None:
    """Return when the next morning run of a site starts, or None where no working day lies ahead."""
    today = times.local_date(now_utc, site.zone)
    for ahead in range(-1, horizon_days):
        day = today + timedelta(days=ahead)
        start, _ = run_window_utc(site, day, lead_min)
        if is_over(site, day):
            return None
        if start > now_utc and shift.is_working_day(site, day):
            return start
    return None


def asks_until_utc(site: Site, day: date) -> datetime:
    """Return until when a morning without a forecast is put off: then its notices have to be written."""
    return times.moment_utc(day, site.mail_at, site.zone) - NOTICE_LEAD - LEAST_RUN


def give_up_utc(site: Site, day: date, seen_utc: datetime, limit_min: float) -> datetime:
    """Return when a morning run that has not finished is given up, so that the crews get a notice on time.

    seen_utc   when the run was first seen to be due
    """
    return give_up_for_mail_utc(times.moment_utc(day, site.mail_at, site.zone), seen_utc, limit_min)


def give_up_for_mail_utc(mail_utc: datetime, seen_utc: datetime, limit_min: float) -> datetime:
    """Return give_up_utc of a run whose mails are to leave at a moment: of many runs no calendar is asked."""
    before_mail = mail_utc - NOTICE_LEAD
    limit = max(timedelta(minutes=limit_min), LEAST_RUN)
    return max(min(seen_utc + limit, before_mail), seen_utc + min(limit, LEAST_RUN))


def lead_min(config: Config, site: Site) -> float:
    """Return how long before the mail time the run starts [min]."""
    return config.settings[site.id]["run_lead_min"]
