"""How wrong a service has been here widens its rain: pairs and shrinkage worked by hand."""

from __future__ import annotations

import math
from datetime import timedelta

import numpy as np
import pytest
from bodies import HARROW_FLATS, HARROW_FLATS_BODY, MORNING_UTC, weather_of
from hypothesis import given
from hypothesis import strategies as st
from notes import english

from gonogo.records.field import GaugeRain
from gonogo.weather import services
from gonogo.weather.series import check
from gonogo.weather.skill import Pair, pairs, spread_factor
from gonogo.weather.table import ReceivedForecast

PARSED = services.find()["open_meteo"].parse(HARROW_FLATS_BODY, HARROW_FLATS)
MADE = MORNING_UTC - timedelta(days=8)


def earlier(days_before: float, service: str = "open_meteo") -> ReceivedForecast:
    parsed = services.find()[service].parse(HARROW_FLATS_BODY, HARROW_FLATS)
    return ReceivedForecast(fetched_utc=MORNING_UTC - timedelta(days=days_before), parsed=parsed)


def caught(days_before: float, hours: float, rain_mm: float) -> GaugeRain:
    start = MORNING_UTC - timedelta(days=days_before)
    return GaugeRain(from_utc=start, until_utc=start + timedelta(hours=hours), rain_mm=rain_mm)


def test_below_five_pairs_nothing_is_learned() -> None:
    assert spread_factor([Pair(forecast_mm=0.0, caught_mm=50.0)] * 4) == 1.0
    assert spread_factor([Pair(forecast_mm=0.0, caught_mm=50.0)] * 5) > 1.0


def test_five_pairs_worked_by_hand() -> None:
    # Each: missed by 6 mm at 5 mm forecast: 36 against (0.6 x 5)^2 + 1^2 = 10; (10 + 5 x 3.6) / 15 = 1.8667.
    assert spread_factor([Pair(forecast_mm=5.0, caught_mm=11.0)] * 5) == pytest.approx(math.sqrt(28.0 / 15.0))


def test_a_service_that_is_right_narrows_but_not_below_the_least() -> None:
    right = [Pair(forecast_mm=5.0, caught_mm=5.0)]
    assert spread_factor(right * 5) == pytest.approx(math.sqrt(10.0 / 15.0))
    assert spread_factor(right * 1000) == 0.75


def test_a_hopeless_service_widens_to_the_greatest() -> None:
    assert spread_factor([Pair(forecast_mm=0.0, caught_mm=60.0)] * 100) == 2.5


@given(
    st.lists(
        st.builds(Pair, forecast_mm=st.floats(0.0, 100.0), caught_mm=st.floats(0.0, 100.0)), min_size=0, max_size=60
    )
)
def test_the_factor_stays_between_its_ends(found: list[Pair]) -> None:
    assert 0.75 <= spread_factor(found) <= 2.5


def test_a_pair_is_the_last_forecast_before_the_reading_and_its_own_hours() -> None:
    # 2026-05-07 16:00 local to 05-08 02:00: the scenario's 9.0 mm. Forecasts made 30 h and 20 h before, and one after.
    start = MORNING_UTC - timedelta(days=4, hours=13)
    reading = GaugeRain(from_utc=start, until_utc=start + timedelta(hours=10), rain_mm=4.0)
    found = pairs([earlier(6.0), earlier(5.5), earlier(1.0)], [reading], service="open_meteo", now_utc=MORNING_UTC)
    assert [pair.caught_mm for pair in found] == [4.0]
    assert found[0].forecast_mm == pytest.approx(9.0)


@pytest.mark.parametrize(("first_h", "caught_mm"), [(11.0, [3.0]), (12.0, [1.0, 2.0])])
def test_readings_that_follow_each_other_are_joined_to_half_a_day_and_no_further(
    first_h: float, caught_mm: list[float]
) -> None:
    readings = [caught(4.0, first_h, 1.0), caught(4.0 - first_h / 24.0, 12.0, 2.0)]
    found = pairs([earlier(4.5)], readings, service="open_meteo", now_utc=MORNING_UTC)
    assert [pair.caught_mm for pair in found] == caught_mm


@pytest.mark.parametrize(
    ("forecasts", "reading"),
    [
        ([], caught(4.0, 10, 1.0)),  # no forecast
        ([earlier(3.0)], caught(4.0, 10, 1.0)),  # made after the reading began
        ([earlier(8.0)], caught(4.0, 10, 1.0)),  # made too long before
        ([earlier(4.5)], caught(4.0, 80, 1.0)),  # a reading over too many days
        ([earlier(4.5)], caught(4.0, 0, 1.0)),  # no time at all
        ([earlier(4.5)], caught(4.0, 5, 9.0)),  # a few hours, with nothing after them
        ([earlier(2.5)], caught(2.0, 20, 0.1)),  # dry in both: nothing to learn
        ([earlier(0.5)], caught(0.2, 10, 1.0)),  # not over yet
        ([earlier(4.5)], caught(4.0, 10, -1.0)),
    ],
)
def test_what_is_no_pair(forecasts: list[ReceivedForecast], reading: GaugeRain) -> None:
    assert pairs(forecasts, [reading], service="open_meteo", now_utc=MORNING_UTC) == ()


def test_a_loggers_hours_are_brought_together_to_half_days() -> None:
    start = MORNING_UTC - timedelta(days=4, hours=13)
    hours = [
        GaugeRain(
            from_utc=start + timedelta(hours=h),
            until_utc=start + timedelta(hours=h + 1),
            rain_mm=1.0 if h < 12 else 0.0,
        )
        for h in range(24)
    ]
    found = pairs([earlier(5.0)], hours, service="open_meteo", now_utc=MORNING_UTC)
    # 16:00 to 04:00 local: 9.0 mm in the scenario; then 0.3 + 0.6 + ... + 0.3 = 5.0 mm on the morning after.
    assert [(round(pair.forecast_mm, 1), pair.caught_mm) for pair in found] == [(9.0, 12.0), (5.0, 0.0)]


def test_hours_that_stayed_dry_as_forecast_do_not_narrow_the_spread() -> None:
    dry = [caught(3.0 - h / 24.0, 1, 0.0) for h in range(40)]
    assert pairs([earlier(3.1)], dry, service="open_meteo", now_utc=MORNING_UTC) == ()


def test_another_services_forecasts_teach_nothing() -> None:
    assert pairs([earlier(4.5)], [caught(4.0, 10, 1.0)], service="nws", now_utc=MORNING_UTC) == ()


def test_the_weather_of_a_service_that_was_wrong_here_is_wider_and_says_so() -> None:
    gauge = [caught(days, 20, 40.0) for days in (9.0, 8.0, 7.0, 6.0, 5.0, 4.0)]
    forecasts = [earlier(days + 0.2) for days in (9.0, 8.0, 7.0, 6.0, 5.0, 4.0)]
    taught = check(
        ReceivedForecast(parsed=PARSED, fetched_utc=MORNING_UTC),
        site=HARROW_FLATS,
        now_utc=MORNING_UTC,
        gauge=gauge,
        n_members=50,
        rng=np.random.default_rng(1),
        earlier=forecasts,
    )
    plain = weather_of(HARROW_FLATS_BODY, gauge=gauge, n_members=50)
    ahead = plain.hour_utc >= np.datetime64(MORNING_UTC.replace(tzinfo=None), "h")
    assert taught.spread_factor > 1.5
    assert any("follows the site's own gauge" in note for note in english(taught.notes))
    assert taught.rain_members_mm[ahead].sum(axis=0).std() > 1.2 * plain.rain_members_mm[ahead].sum(axis=0).std()
    np.testing.assert_allclose(taught.rain_members_mm.mean(axis=1), taught.rain_mm, atol=1e-12)
