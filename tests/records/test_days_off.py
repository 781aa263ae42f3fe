"""On which days a site works, and which breaks a mail names."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from sites import small_site

from gonogo.records.day_plan import Pause
from gonogo.records.days_off import is_working_day, next_working_day, pause_after, public_holidays
from gonogo.records.site import Stop
from gonogo.service.due import due_day, next_start_utc

FRIDAY = date(2026, 5, 22)  # before Memorial Day, the last Monday of May
BREAK = Stop(first_day=date(2026, 12, 24), last_day=date(2027, 1, 3), reason="winter break")


# Dates that the law of each place fixes: 5 U.S.C. 6103; Ley Orgánica 2/2007 (Andalucía, 28 February); Lei 662/1949.
@pytest.mark.parametrize(
    ("country", "state", "day"),
    [
        ("US", "IA", date(2026, 5, 25)),
        ("US", "", date(2026, 7, 3)),  # the 4th is a Saturday: 5 U.S.C. 6103 (b)
        ("ES", "AN", date(2026, 2, 28)),
        ("BR", "", date(2026, 9, 7)),
    ],
)
def test_public_holidays_are_those_of_country_and_state(country: str, state: str, day: date) -> None:
    assert day in public_holidays(country, state, day.year)
    site = small_site(holiday_country=country, holiday_state=state, working_days=tuple(range(7)))
    assert not is_working_day(site, day)
    assert is_working_day(site, day + timedelta(days=1)) or day + timedelta(days=1) in public_holidays(
        country, state, day.year
    )


def test_a_holiday_of_another_state_is_worked() -> None:
    assert is_working_day(small_site(holiday_country="ES", holiday_state="MD", working_days=(5,)), date(2026, 2, 28))


def test_typed_dates_stand_on_top_of_the_calendar() -> None:
    memorial = date(2026, 5, 25)
    assert is_working_day(small_site(holiday_country="US", working_dates=(memorial,)), memorial)
    assert is_working_day(small_site(working_dates=(date(2026, 5, 23),)), date(2026, 5, 23))  # a Saturday
    assert not is_working_day(small_site(holidays=(date(2026, 5, 26),)), date(2026, 5, 26))


def test_neither_a_stop_nor_the_time_after_the_end_is_worked_whatever_else_is_said() -> None:
    site = small_site(stops=(BREAK,), ends_on=date(2027, 2, 26), working_dates=(date(2026, 12, 28), date(2027, 3, 1)))
    days = [date(2026, 12, 23) + timedelta(days=n) for n in range(14)]
    assert [d for d in days if is_working_day(site, d)] == [date(2026, 12, 23), date(2027, 1, 4), date(2027, 1, 5)]
    assert is_working_day(site, date(2027, 2, 26))
    assert not is_working_day(site, date(2027, 3, 1))


def test_the_usual_weekend_is_no_pause_and_a_long_one_is_named() -> None:
    assert pause_after(small_site(), FRIDAY) is None
    assert pause_after(small_site(), date(2026, 5, 20)) is None
    long = Pause(first_day=date(2026, 5, 23), last_day=date(2026, 5, 25), why="holiday", names=("Memorial Day",))
    assert pause_after(small_site(holiday_country="US"), FRIDAY) == long
    assert pause_after(small_site(holidays=(date(2026, 5, 25),)), FRIDAY) == Pause(
        first_day=date(2026, 5, 23), last_day=date(2026, 5, 25), why="holiday"
    )


def test_a_stop_and_the_last_day_are_named() -> None:
    site = small_site(stops=(BREAK,), ends_on=date(2027, 2, 26))
    assert pause_after(site, date(2026, 12, 23)) == Pause(
        first_day=date(2026, 12, 24), last_day=date(2027, 1, 3), why="stop", names=("winter break",)
    )
    assert pause_after(site, date(2027, 2, 26)) == Pause(first_day=date(2027, 2, 27), last_day=None, why="end")
    for_good = small_site(stops=(Stop(first_day=date(2026, 12, 24), last_day=date(2029, 1, 1)),))
    found = pause_after(for_good, date(2026, 12, 23))
    assert found is not None
    assert (found.why, found.last_day) == ("stop", None)


def test_no_morning_is_due_in_a_stop_or_after_the_end() -> None:
    site = small_site(stops=(BREAK,), ends_on=date(2027, 2, 26))
    in_the_stop = datetime(2026, 12, 28, 12, 0, tzinfo=UTC)  # 06:00 on site
    assert due_day(site, in_the_stop, 15.0) is None
    assert next_working_day(site, date(2026, 12, 28)) == date(2027, 1, 4)
    begins = next_start_utc(site, in_the_stop, 15.0)
    assert begins == datetime(2027, 1, 4, 11, 15, tzinfo=UTC)  # 05:15 on site
    assert next_start_utc(site, datetime(2027, 3, 1, 12, 0, tzinfo=UTC), 15.0) is None
