"""Each site's each working day gets one morning run, whatever the clock, the calendar and the machine do."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from hypothesis import example, given, settings
from hypothesis import strategies as st
from sites import small_site

from gonogo import times
from gonogo.records import shift
from gonogo.records.site import Site
from gonogo.service import due as service_due

LEAD_MIN = 15.0
TICK = timedelta(minutes=5)
ZONES = (
    "America/New_York",
    "America/St_Johns",
    "America/Sao_Paulo",
    "Europe/Berlin",
    "Africa/Casablanca",
    "Asia/Kathmandu",
    "Australia/Lord_Howe",
    "Pacific/Apia",
    "Pacific/Kiritimati",
    "UTC",
)


@dataclass(frozen=True)
class Trouble:
    """From an hour of the stretch on, for so many hours: the machine is off, or its clock is wrong by so much."""

    at_h: int
    for_h: int
    clock_off_min: int | None  # None: off


def claimed(site: Site, begin: datetime, n_hours: int, troubles: list[Trouble]) -> list[date]:
    """Step through a stretch of true time, and return the dates whose run was claimed, as the database's key does."""
    done: list[date] = []
    for n in range(int(n_hours * timedelta(hours=1) / TICK)):
        true_utc = begin + n * TICK
        shown_utc: datetime | None = true_utc
        for trouble in troubles:
            if trouble.at_h <= (true_utc - begin) / timedelta(hours=1) < trouble.at_h + trouble.for_h:
                shown_utc = (
                    None if trouble.clock_off_min is None else true_utc + timedelta(minutes=trouble.clock_off_min)
                )
        if shown_utc is None:
            continue
        day = service_due.due_day(site, shown_utc, LEAD_MIN)
        if day is not None and day not in done:
            done.append(day)
    return done


def expected(site: Site, begin: datetime, n_hours: int, troubles: list[Trouble]) -> tuple[set[date], set[date]]:
    """The dates that must have run, and those that may have: a run needs one tick in its window on a true clock."""
    must, may = set(), set()
    first = times.local_date(begin, site.zone) - timedelta(days=2)
    for n in range(n_hours // 24 + 5):
        day = first + timedelta(days=n)
        if not shift.is_working_day(site, day):
            continue
        start, deadline = service_due.run_window_utc(site, day, LEAD_MIN)
        may.add(day)
        ticks = [begin + k * TICK for k in range(int(n_hours * timedelta(hours=1) / TICK))]
        if any(
            start <= at < deadline
            and not any(t.at_h <= (at - begin) / timedelta(hours=1) < t.at_h + t.for_h for t in troubles)
            for at in ticks
        ):
            must.add(day)
    return must, may


TROUBLES = st.lists(
    st.builds(
        Trouble,
        at_h=st.integers(0, 190),
        for_h=st.integers(1, 72),
        clock_off_min=st.one_of(st.none(), st.integers(-1500, 1500)),
    ),
    max_size=3,
)


@settings(max_examples=40, deadline=None)
@given(
    zone=st.sampled_from(ZONES),
    start=st.dates(date(2024, 2, 20), date(2032, 12, 1)),
    mail_at=st.sampled_from([time(0, 0), time(0, 10), time(1, 30), time(2, 30), time(3, 0), time(5, 30), time(20, 0)]),
    holiday_n=st.integers(0, 8),
    troubles=TROUBLES,
)
@example(zone="America/New_York", start=date(2027, 3, 12), mail_at=time(2, 30), holiday_n=8, troubles=[])  # gap
@example(zone="America/New_York", start=date(2026, 10, 30), mail_at=time(1, 30), holiday_n=8, troubles=[])  # overlap
@example(zone="Europe/Berlin", start=date(2028, 2, 27), mail_at=time(5, 30), holiday_n=0, troubles=[])  # leap day
@example(  # off from Friday noon to Monday evening
    zone="Europe/Berlin", start=date(2026, 5, 15), mail_at=time(5, 30), holiday_n=8, troubles=[Trouble(12, 80, None)]
)
@example(  # the clock steps a day ahead over the weekend, and back
    zone="Europe/Berlin", start=date(2026, 5, 15), mail_at=time(0, 0), holiday_n=8, troubles=[Trouble(24, 30, 1440)]
)
def test_each_working_day_runs_once_and_no_other_day_does(
    zone: str, start: date, mail_at: time, holiday_n: int, troubles: list[Trouble]
) -> None:
    deadline = time(mail_at.hour + 3, mail_at.minute)
    site = small_site(
        zone=ZoneInfo(zone),
        mail_at=mail_at,
        deadline=deadline,
        working_days=(0, 1, 2, 3, 4),
        holidays=(start + timedelta(days=holiday_n),),
    )
    begin = times.moment_utc(start, time(0, 0), site.zone)
    runs = claimed(site, begin, 200, troubles)
    must, may = expected(site, begin, 200, troubles)
    assert len(runs) == len(set(runs))
    assert must <= set(runs)
    assert {day for day in runs if shift.is_working_day(site, day)} == set(runs)
    if all(t.clock_off_min is None for t in troubles):
        assert set(runs) <= may
        assert runs == sorted(runs)


@settings(max_examples=60, deadline=None)
@given(
    zone=st.sampled_from(ZONES),
    day=st.dates(date(2024, 2, 20), date(2032, 12, 1)),
    mail_at=st.times(max_value=time(20, 0)).map(lambda t: t.replace(second=0, microsecond=0)),
    lead_min=st.floats(0.0, 180.0),
)
def test_a_run_window_is_one_stretch_that_ends_after_it_begins(
    zone: str, day: date, mail_at: time, lead_min: float
) -> None:
    site = small_site(zone=ZoneInfo(zone), mail_at=mail_at, deadline=time(mail_at.hour + 3, mail_at.minute))
    start, deadline = service_due.run_window_utc(site, day, lead_min)
    mail_utc = times.moment_utc(day, mail_at, site.zone)
    assert start <= mail_utc < deadline
    assert deadline - mail_utc >= timedelta(hours=1)  # a gap of an hour or a leap over a date takes at most two


@settings(max_examples=40, deadline=None)
@given(
    zone=st.sampled_from(ZONES),
    day=st.dates(date(2024, 2, 20), date(2032, 12, 1)),
    looks=st.lists(st.sampled_from([time(1, 30), time(2, 30), time(9, 0), time(9, 30), time(13, 0)]), max_size=4),
)
def test_each_look_of_a_working_day_comes_due_and_none_on_a_day_off(zone: str, day: date, looks: list[time]) -> None:
    site = small_site(zone=ZoneInfo(zone), recheck_at=tuple(sorted(set(looks))))
    begin = times.moment_utc(day, time(0, 0), site.zone)
    seen = set()
    for n in range(24 * 12):
        due = service_due.due_recheck(site, begin + n * TICK)
        if due is not None:
            seen.add(due)
    days = {d for d, _ in seen}
    assert all(shift.is_working_day(site, d) for d in days)
    if shift.is_working_day(site, day) and times.local_date(begin, site.zone) == day:
        assert {at for d, at in seen if d == day} == set(site.recheck_at)


@given(
    seen_min=st.integers(-200, 200),
    limit_min=st.floats(1.0, 120.0),
)
def test_a_run_is_given_up_before_the_mail_time_where_it_began_in_time_and_never_at_once(
    seen_min: int, limit_min: float
) -> None:
    site, day = small_site(), date(2026, 5, 12)
    mail_utc = times.moment_utc(day, site.mail_at, site.zone)
    seen_utc = mail_utc + timedelta(minutes=seen_min)
    give_up_utc = service_due.give_up_utc(site, day, seen_utc, limit_min)
    assert give_up_utc >= seen_utc + timedelta(minutes=min(limit_min, 2.0)) - timedelta(seconds=1)
    if seen_min <= -3:
        assert give_up_utc < mail_utc
    assert give_up_utc.tzinfo is UTC
