"""Which morning is due when: each working day once, caught up until the deadline and not after."""

from __future__ import annotations

import threading
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st
from sites import small_site

from gonogo import times
from gonogo.records import shift
from gonogo.records.site import Site
from gonogo.service import due, schedule

LEAD_MIN = 10.0


def mornings_run(site: Site, start: datetime, end: datetime, step: timedelta) -> list[date]:
    """Step a clock through a stretch of time and return the dates that came due, each noted once as the claim does."""
    seen: list[date] = []
    now = start
    while now < end:
        day = due.due_day(site, now, LEAD_MIN)
        if day is not None and day not in seen:
            seen.append(day)
        now += step
    return seen


@settings(max_examples=25, deadline=None)
@given(
    zone=st.sampled_from(
        ["America/New_York", "Europe/Berlin", "Australia/Lord_Howe", "Asia/Kathmandu", "Pacific/Apia"]
    ),
    start=st.dates(date(2024, 2, 20), date(2028, 12, 1)),
    mail_at=st.sampled_from([time(0, 0), time(0, 5), time(1, 30), time(2, 30), time(5, 30)]),
)
def test_each_working_day_of_a_site_gets_one_morning_and_no_other_day_does(
    zone: str, start: date, mail_at: time
) -> None:
    site = small_site(zone=ZoneInfo(zone), mail_at=mail_at, deadline=time(9, 0))
    begin = times.moment_utc(start, time(12, 0), site.zone)
    end = times.moment_utc(start + timedelta(days=9), time(12, 0), site.zone)
    expected = [day for n in range(1, 10) if shift.is_working_day(site, day := start + timedelta(days=n))]
    assert mornings_run(site, begin, end, timedelta(minutes=7)) == expected


def test_days_on_which_the_clock_is_set_have_one_morning() -> None:
    site = small_site(zone=ZoneInfo("America/New_York"), mail_at=time(1, 30), working_days=tuple(range(7)))
    for day in (date(2026, 11, 1), date(2027, 3, 14)):
        begin = times.moment_utc(day - timedelta(days=1), time(12, 0), site.zone)
        got = mornings_run(site, begin, begin + timedelta(hours=24), timedelta(minutes=1))
        assert got == [day]


def test_a_missed_morning_is_caught_up_within_its_deadline_and_not_after() -> None:
    site = small_site()
    start, deadline = due.run_window_utc(site, date(2026, 5, 12), LEAD_MIN)
    assert due.due_day(site, start - timedelta(seconds=1), LEAD_MIN) is None
    assert due.due_day(site, deadline - timedelta(seconds=1), LEAD_MIN) == date(2026, 5, 12)
    assert due.due_day(site, deadline, LEAD_MIN) is None


def test_the_next_start_skips_the_weekend() -> None:
    site = small_site()
    friday_noon = times.moment_utc(date(2026, 5, 15), time(12, 0), site.zone)
    after = due.next_start_utc(site, friday_noon, LEAD_MIN)
    assert after == times.moment_utc(date(2026, 5, 18), time(5, 20), site.zone)


def test_the_service_runs_what_is_due_delivers_and_stops() -> None:
    site = small_site()
    now = times.moment_utc(date(2026, 5, 12), time(5, 25), site.zone)
    ran: list[date] = []
    stop, delivered, watched = threading.Event(), threading.Event(), threading.Event()

    def run_morning(_site: Site, day: date, _now: datetime) -> None:
        ran.append(day)
        if delivered.wait(10.0) and watched.wait(10.0):
            stop.set()

    schedule.serve(
        lambda: [site],
        lead_min=lambda _: LEAD_MIN,
        run_morning=run_morning,
        run_look=lambda *_: None,
        watch=lambda *_: watched.set(),
        deliver=lambda _: delivered.set(),
        stop=stop,
        clock=lambda: now,
    )
    assert ran == [date(2026, 5, 12)]
    assert delivered.is_set()
    assert now.tzinfo is UTC
