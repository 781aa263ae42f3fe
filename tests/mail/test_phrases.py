"""Numbers are rounded once, for both unit systems, and never to the crew's harm."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gonogo.wording import phrases
from gonogo.wording.phrases import Amount, Chance, Duration, Number

MADRID = ZoneInfo("Europe/Madrid")
BERLIN = ZoneInfo("Europe/Berlin")


def test_an_amount_is_rounded_for_both_unit_systems() -> None:
    litres = phrases.amount("litres", 18432.0)
    assert litres.shown("metric") == (18400.0, 0, "L")
    assert litres.shown("us") == (4850.0, 0, "gal")


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_an_amount_that_is_not_finite_is_unknown(value: float) -> None:
    assert math.isnan(phrases.amount("rain_mm", value).shown("metric")[0])


@given(st.lists(st.floats(0, 1e6), min_size=1, max_size=20))
def test_a_total_is_the_sum_of_the_printed_lines(litres: list[float]) -> None:
    lines = tuple(phrases.amount("litres", x) for x in litres)
    for system in ("metric", "us"):
        assert phrases.total(lines).shown(system)[0] == sum(a.shown(system)[0] for a in lines)


@pytest.mark.parametrize(("share", "pct"), [(0.0, 0.0), (0.695, 70.0), (0.694, 69.0), (1.0, 100.0), (1.2, 100.0)])
def test_a_chance_is_shown_in_whole_per_cent(share: float, pct: float) -> None:
    assert phrases.chance(share) == Chance(pct=pct)


def test_an_unknown_chance_stays_unknown() -> None:
    assert math.isnan(phrases.chance(math.nan).pct)


@pytest.mark.parametrize(
    ("hours", "minutes"), [(0.0, 0.0), (0.01, 10.0), (2.7, 160.0), (1.0, 60.0), (math.inf, math.inf)]
)
def test_a_length_of_time_over_nought_never_becomes_nought(hours: float, minutes: float) -> None:
    assert phrases.duration(hours) == Duration(minutes=minutes)


def test_rounding_never_lengthens_a_window() -> None:
    at = datetime(2026, 6, 17, 4, 2, tzinfo=UTC)
    day = date(2026, 6, 17)
    assert phrases.moment(at, MADRID, day, to="later").at_local.strftime("%H:%M") == "06:05"
    assert phrases.moment(at, MADRID, day, to="earlier").at_local.strftime("%H:%M") == "06:00"
    assert phrases.moment(at, MADRID, day).at_local.strftime("%H:%M") == "06:00"


def test_a_moment_is_rounded_in_utc_on_the_day_the_clock_is_set() -> None:
    # 2026-10-25 00:58 UTC is 02:58 summer time in Berlin; two minutes later it is 02:00 again.
    shown = phrases.moment(datetime(2026, 10, 25, 0, 58, tzinfo=UTC), BERLIN, date(2026, 10, 25))
    assert (shown.at_local.strftime("%H:%M"), shown.at_local.fold) == ("02:00", 1)


def test_a_moment_on_another_day_is_marked() -> None:
    at = datetime(2026, 6, 17, 22, 30, tzinfo=UTC)  # 00:30 on the 18th in Madrid
    assert phrases.moment(at, MADRID, date(2026, 6, 17)).is_other_day
    assert not phrases.moment(at, MADRID, date(2026, 6, 18)).is_other_day


@pytest.mark.parametrize(
    ("name", "value", "unit"),
    [
        ("rained_since_reading_mm", 14.0, "mm"),
        ("rain_stop_mm_h", 1.0, "mm/h"),
        ("dose_litres_m2", 6.4, "L/m²"),
        ("litres_m2", 6.4, "L/m²"),
        ("deviation_pct", -2.0, "%"),
        ("coldest_12h_degc", -3.0, "°C"),
        ("wind_stop_m_s", 10.0, "km/h"),
        ("vibration_caution_m", 15.0, "m"),
        ("rolling_speed_km_h", 4.0, "km/h"),
    ],
)
def test_the_unit_that_closes_a_name_says_how_it_is_shown(name: str, value: float, unit: str) -> None:
    shown = phrases.gap(name, value)
    assert isinstance(shown, Amount)
    assert shown.metric[2] == unit


def test_chances_hours_ratios_and_counts_are_told_by_their_names() -> None:
    assert phrases.gap("chance_too_wet", 0.25) == Chance(pct=25.0)
    assert phrases.gap("hours_until_rain_h", 3.0) == Duration(minutes=180.0)
    assert phrases.gap("moisture_ratio", 1.234) == Number(value=1.23, decimals=2)
    assert phrases.gap("passes", 3.0) == Number(value=3.0)
    assert phrases.gap("chance", 0.25) == Chance(pct=25.0)
    assert phrases.gap("lift", 2.0) == Number(value=2.0)


@pytest.mark.parametrize("name", ["is_granular", "wetness", "drum_suits"])
def test_a_name_without_a_unit_is_refused(name: str) -> None:
    with pytest.raises(KeyError, match=name):
        phrases.gap(name, 1.0)
