"""Two accounts of one sky: by how much they may differ, and what becomes of the members where they differ more."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd
import pytest
from hand_made import FIRST_UTC, MEMBERS, N_HOURS, NOW_UTC, hourly, row, site, strip, weather

from gonogo.weather.two_forecasts import differs, mixed, unlike_before

PLACE = site([strip()]).place
BEFORE_UTC = NOW_UTC - timedelta(hours=24)


def table(rain_mm: float, *, warmer_degc: float = 0.0) -> pd.DataFrame:
    """An answer in which some rain fell a day and a half ago."""
    first = np.datetime64(FIRST_UTC.replace(tzinfo=None), "h")
    precip = hourly(0.0)
    precip[10] = rain_mm
    hours = (first + np.arange(N_HOURS)).astype("datetime64[s]")
    return pd.DataFrame({"precip_mm": precip, "temp_degc": hourly(15.0 + warmer_degc)}, index=hours)


def rain_at(hour: float, mm: float) -> np.ndarray:
    out = hourly(0.0)
    out[row(hour)] = mm
    return out


@pytest.mark.parametrize(
    ("now_mm", "before_mm", "is_said"),
    [(0.0, 12.0, True), (12.0, 0.0, True), (13.0, 4.0, True), (11.0, 4.0, False), (0.0, 3.0, False), (5.0, 5.0, False)],
)
def test_a_service_that_tells_past_rain_otherwise_than_before_is_noted(
    now_mm: float, before_mm: float, is_said: bool
) -> None:
    found = unlike_before(table(now_mm), table(before_mm), before_utc=BEFORE_UTC, now_utc=NOW_UTC)
    assert [note.key for note in found] == ["rain_unlike_before"] * is_said
    if is_said:
        assert (found[0].gaps["rain_mm"], found[0].gaps["before_mm"]) == (now_mm, before_mm)


@pytest.mark.parametrize(("warmer_degc", "is_said"), [(2.0, False), (3.0, True), (-3.0, True)])
def test_past_air_may_differ_by_two_and_a_half_degrees(warmer_degc: float, is_said: bool) -> None:
    now, before = table(0.0, warmer_degc=warmer_degc), table(0.0)
    found = unlike_before(now, before, before_utc=BEFORE_UTC, now_utc=NOW_UTC)
    assert [note.key for note in found] == ["air_unlike_before"] * is_said


@pytest.mark.parametrize(("from_h", "is_said"), [(20, True), (24, False)])
def test_air_ahead_is_held_against_the_answer_of_before_for_a_day(from_h: int, is_said: bool) -> None:
    now = table(0.0)
    hours = now.index >= np.datetime64((NOW_UTC + timedelta(hours=from_h)).replace(tzinfo=None), "s")
    now.loc[hours, "temp_degc"] += 60.0
    found = unlike_before(now, table(0.0), before_utc=BEFORE_UTC, now_utc=NOW_UTC)
    assert [note.key for note in found] == ["air_unlike_before"] * is_said


@pytest.mark.parametrize(
    ("ours_mm", "theirs_mm", "is_another"),
    [(4.0, 0.0, True), (0.0, 4.0, True), (4.0, 0.9, True), (4.0, 1.1, False), (0.9, 0.0, False), (4.0, 4.0, False)],
)
def test_rain_of_six_hours_that_the_other_hardly_sees_is_another_weather(
    ours_mm: float, theirs_mm: float, is_another: bool
) -> None:
    ours, theirs = weather(rain_at(12, ours_mm)), weather(rain_at(12, theirs_mm))
    assert differs(ours, theirs, place=PLACE, now_utc=NOW_UTC) is is_another


@pytest.mark.parametrize(("theirs_mm", "is_another"), [(0.7, True), (0.9, False)])
def test_a_day_of_which_the_other_sees_a_third_is_another_weather(theirs_mm: float, is_another: bool) -> None:
    ours, theirs = (weather(sum((rain_at(hour, mm) for hour in (8, 14, 20)), hourly(0.0))) for mm in (2.2, theirs_mm))
    assert differs(ours, theirs, place=PLACE, now_utc=NOW_UTC) is is_another


def test_another_warmth_is_another_weather_and_rain_beyond_the_hours_compared_is_not() -> None:
    dry = weather()
    assert differs(dry, weather(temp_degc=dry.temp_degc + 4.5), place=PLACE, now_utc=NOW_UTC)
    assert not differs(dry, weather(temp_degc=dry.temp_degc + 1.0), place=PLACE, now_utc=NOW_UTC)
    assert not differs(dry, weather(rain_at(60, 20.0)), place=PLACE, now_utc=NOW_UTC)


def test_every_other_member_follows_the_second_service_and_the_air_lies_halfway() -> None:
    dry = weather()
    second = weather(rain_at(12, 4.0), temp_degc=dry.temp_degc + 6.0)
    both = mixed(dry, second, now_utc=NOW_UTC)
    expected = np.zeros(MEMBERS)
    expected[1::2] = 4.0
    assert both.rain_members_mm[row(12)] == pytest.approx(expected)
    assert both.rain_mm[row(12)] == pytest.approx(2.0)
    assert both.temp_degc[row(12)] == pytest.approx(dry.temp_degc[row(12)] + 3.0)
    assert both.rain_members_mm[row(13)] == pytest.approx(0.0)
    assert dry.rain_members_mm.max() == 0.0
