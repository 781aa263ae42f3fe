"""Site time: every (day, time) names one moment, shifts and daylight, over both days on which the clock is set."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sites import small_site

from gonogo import times
from gonogo.records import shift

NEW_YORK = ZoneInfo("America/New_York")


def test_a_time_that_the_spring_change_skips_lies_the_same_distance_after_the_gap() -> None:
    # 2027-03-14 02:30 does not exist in New York; 01:30 EST is 06:30 UTC, so "02:30" is one hour later: 07:30 UTC.
    assert times.moment_utc(date(2027, 3, 14), time(2, 30), NEW_YORK) == datetime(2027, 3, 14, 7, 30, tzinfo=UTC)


def test_a_time_that_the_autumn_change_repeats_is_its_first_occurrence() -> None:
    assert times.moment_utc(date(2026, 11, 1), time(1, 30), NEW_YORK) == datetime(2026, 11, 1, 5, 30, tzinfo=UTC)


@pytest.mark.parametrize(
    ("shown", "utc_hours"),
    [
        ("2027-03-14 01:59", [(14, 6, 59)]),
        ("2027-03-14 02:00", []),  # the clock goes from 02:00 to 03:00
        ("2027-03-14 02:59", []),
        ("2027-03-14 03:00", [(14, 7, 0)]),
        ("2026-11-01 00:59", [(1, 4, 59)]),
        ("2026-11-01 01:00", [(1, 5, 0), (1, 6, 0)]),  # and from 02:00 back to 01:00
        ("2026-11-01 01:59", [(1, 5, 59), (1, 6, 59)]),
        ("2026-11-01 02:00", [(1, 7, 0)]),
    ],
)
def test_the_clock_shows_a_time_once_but_where_it_is_set(shown: str, utc_hours: list[tuple[int, int, int]]) -> None:
    found = times.occurrences_utc(datetime.fromisoformat(shown), NEW_YORK)
    assert [(at.day, at.hour, at.minute) for at in found] == utc_hours
    assert all(at.tzinfo is UTC for at in found)


@given(
    day=st.dates(date(2020, 1, 1), date(2035, 12, 31)),
    at=st.times(),
    zone=st.sampled_from(["America/New_York", "Europe/Berlin", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC"]),
)
def test_moments_of_following_days_rise_and_lie_about_a_day_apart(day: date, at: time, zone: str) -> None:
    first = times.moment_utc(day, at, ZoneInfo(zone))
    second = times.moment_utc(day + timedelta(days=1), at, ZoneInfo(zone))
    assert timedelta(hours=22, minutes=59) <= second - first <= timedelta(hours=25, minutes=1)


def test_a_night_shift_ends_on_the_next_date() -> None:
    site = small_site(shift_start=time(20, 0), shift_end=time(4, 0))
    start, end = shift.shift_utc(site, date(2026, 5, 12))
    assert end - start == timedelta(hours=8)


def test_a_shift_over_the_autumn_change_has_its_hour_more() -> None:
    site = small_site(shift_start=time(0, 0), shift_end=time(6, 0), zone=NEW_YORK)
    start, end = shift.shift_utc(site, date(2026, 11, 1))
    assert end - start == timedelta(hours=7)


def test_dawn_matches_a_published_almanac_day() -> None:
    # Equinox on the equator at Greenwich: sunrise and sunset 12 h apart within minutes, civil twilight about 21 min
    # more on either side (common knowledge of almanacs, no source).
    site = small_site(latitude_deg=0.0, longitude_deg=0.0, zone=ZoneInfo("UTC"))
    light = shift.daylight_utc(site, date(2026, 3, 20))
    assert light is not None
    length_h = (light[1] - light[0]) / times.HOUR
    assert length_h == pytest.approx(12.0 + 2 * 21 / 60 + 7 / 60, abs=0.1)


def test_where_the_sun_does_not_set_the_whole_shift_is_light() -> None:
    site = small_site(latitude_deg=69.6, longitude_deg=18.9, zone=ZoneInfo("Europe/Oslo"))
    assert shift.working_hours_utc(site, date(2026, 6, 21)) == shift.shift_utc(site, date(2026, 6, 21))


def test_working_hours_are_cut_to_daylight() -> None:
    site = small_site(shift_start=time(4, 0), shift_end=time(22, 0))
    start, end = shift.working_hours_utc(site, date(2026, 12, 10))
    shift_start, shift_end = shift.shift_utc(site, date(2026, 12, 10))
    assert shift_start < start < end < shift_end


def test_holidays_and_days_off_are_no_working_days() -> None:
    site = small_site(holidays=(date(2026, 5, 12),))
    assert not shift.is_working_day(site, date(2026, 5, 12))  # a Tuesday, but a holiday
    assert shift.is_working_day(site, date(2026, 5, 13))
    assert not shift.is_working_day(site, date(2026, 5, 16))  # a Saturday


def test_hours_round_trip_between_numpy_and_datetime() -> None:
    start = datetime(2026, 5, 12, 10, 40, tzinfo=UTC)
    hours = times.hours_utc(start, 3)
    assert times.as_datetime(hours[0]) == datetime(2026, 5, 12, 10, tzinfo=UTC)
    assert times.as_hour(start) == hours[0]
    assert np.all(np.diff(hours) == np.timedelta64(1, "h"))
