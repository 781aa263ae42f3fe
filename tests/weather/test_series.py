"""Every forecast status, and clocks that are wrong."""

from __future__ import annotations

import dataclasses
from datetime import timedelta

import numpy as np
import pytest
from bodies import HARROW_FLATS, HARROW_FLATS_BODY, MORNING_UTC, row, weather_of
from notes import english

from gonogo import times
from gonogo.weather import services
from gonogo.weather.forecast_status import ForecastStatus, lowest, status_by_age, status_by_clock, status_by_model_run
from gonogo.weather.series import check, fallen_mm
from gonogo.weather.services.open_meteo import SERVICE
from gonogo.weather.table import ReceivedForecast


@pytest.mark.parametrize(
    ("age_h", "expected"),
    [
        (0.0, ForecastStatus.FRESH),
        (6.0, ForecastStatus.FRESH),
        (6.01, ForecastStatus.OLD),
        (24.0, ForecastStatus.OLD),
        (24.01, ForecastStatus.NONE),
        (1e6, ForecastStatus.NONE),
        (-0.2, ForecastStatus.FRESH),  # two clocks are never quite the same
        (-0.3, ForecastStatus.NONE),  # an answer from the future: a clock is wrong
        (-1e6, ForecastStatus.NONE),
        (float("nan"), ForecastStatus.NONE),
    ],
)
def test_age_decides_the_status(age_h: float, expected: ForecastStatus) -> None:
    assert status_by_age(age_h) is expected


@pytest.mark.parametrize(
    ("age_h", "expected"),
    [(1, ForecastStatus.FRESH), (12, ForecastStatus.OLD), (30, ForecastStatus.NONE), (-5, ForecastStatus.NONE)],
)
def test_the_weather_carries_the_status_of_its_answer(age_h: int, expected: ForecastStatus) -> None:
    weather = weather_of(HARROW_FLATS_BODY, fetched_utc=MORNING_UTC - timedelta(hours=age_h))
    assert weather.status is expected


def test_a_body_of_another_day_than_the_clock_says_is_rejected() -> None:
    for days in (-20, 12, 400):
        with pytest.raises(Exception, match="a clock or a time zone is wrong"):
            weather_of(HARROW_FLATS_BODY, now_utc=MORNING_UTC + timedelta(days=days))


def test_an_old_answer_has_wider_rain_than_a_fresh_one() -> None:
    def spread(age_h: int) -> float:
        weather = weather_of(HARROW_FLATS_BODY, fetched_utc=MORNING_UTC - timedelta(hours=age_h), n_members=50)
        ahead = weather.hour_utc >= np.datetime64(MORNING_UTC.replace(tzinfo=None), "h")
        return float(weather.rain_members_mm[ahead].sum(axis=0).std())

    assert spread(12) > 1.1 * spread(1)


def test_members_are_right_on_average_in_every_hour() -> None:
    weather = weather_of(HARROW_FLATS_BODY, n_members=50)
    np.testing.assert_allclose(weather.rain_members_mm.mean(axis=1), weather.rain_mm, atol=1e-12)


def test_the_weather_names_its_source_with_the_credit_that_the_licence_asks_for() -> None:
    weather = weather_of(HARROW_FLATS_BODY)
    assert weather.service == "open_meteo"
    assert weather.attribution == SERVICE.attribution
    assert ("Weather data by Open-Meteo.com", "https://open-meteo.com/") in weather.attribution


def test_the_same_answer_and_seed_give_the_same_weather() -> None:
    first, other = weather_of(HARROW_FLATS_BODY), weather_of(HARROW_FLATS_BODY)
    assert (first.rain_members_mm == other.rain_members_mm).all()


# --- clocks and model runs ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("offset_h", "expected"),
    [
        (0.0, ForecastStatus.FRESH),
        (0.25, ForecastStatus.FRESH),
        (-0.25, ForecastStatus.FRESH),
        (0.3, ForecastStatus.OLD),
        (-0.9, ForecastStatus.OLD),
        (1.1, ForecastStatus.NONE),
        (-24.0, ForecastStatus.NONE),
        (24.0 * 365, ForecastStatus.NONE),
        (float("nan"), ForecastStatus.FRESH),  # the service told no time
    ],
)
def test_a_clock_that_is_wrong_lowers_the_status(offset_h: float, expected: ForecastStatus) -> None:
    assert status_by_clock(offset_h * 3600.0) is expected


@pytest.mark.parametrize(
    ("age_h", "expected"),
    [(0, ForecastStatus.FRESH), (24, ForecastStatus.FRESH), (25, ForecastStatus.OLD), (49, ForecastStatus.NONE)],
)
def test_a_model_run_that_is_old_lowers_the_status(age_h: int, expected: ForecastStatus) -> None:
    assert status_by_model_run(MORNING_UTC - timedelta(hours=age_h), MORNING_UTC) is expected


def test_the_lowest_of_all_rungs_counts() -> None:
    assert lowest(ForecastStatus.FRESH, ForecastStatus.OLD, ForecastStatus.FRESH) is ForecastStatus.OLD
    assert lowest(ForecastStatus.NONE, ForecastStatus.OLD, ForecastStatus.FRESH) is ForecastStatus.NONE
    assert lowest(ForecastStatus.FRESH, ForecastStatus.FRESH) is ForecastStatus.FRESH


def test_a_wrong_clock_is_told_and_nobody_is_told_to_compact() -> None:
    parsed = services.find()["open_meteo"].parse(HARROW_FLATS_BODY, HARROW_FLATS)
    weather = check(
        ReceivedForecast(parsed=parsed, fetched_utc=MORNING_UTC, clock_offset_s=-3 * 86400.0),
        site=HARROW_FLATS,
        now_utc=MORNING_UTC,
        gauge=[],
        n_members=10,
        rng=np.random.default_rng(1),
    )
    assert weather.status is ForecastStatus.NONE
    assert any("clock of this machine is 3 days ahead of" in note for note in english(weather.notes))


def test_what_fell_between_two_moments_is_neither_what_fell_before_nor_what_is_to_come() -> None:
    weather = weather_of(HARROW_FLATS_BODY)
    fallen = dataclasses.replace(
        weather, rain_mm=np.zeros(len(weather.rain_mm)), melt_mm=np.zeros(len(weather.rain_mm))
    )
    now = row(weather, MORNING_UTC)
    fallen.rain_mm[now - 6 : now + 3] = [32.0, 1.0, 2.0, 4.0, 8.0, 16.0, 64.0, 128.0, 256.0]
    fallen.melt_mm[now - 2] = 0.5
    # From half past the hour five hours back: the whole of that hour counts, the hour of the morning does not.
    since, until = MORNING_UTC - timedelta(hours=4, minutes=30), MORNING_UTC + timedelta(minutes=40)
    assert fallen_mm(fallen, since, until) == (31.0, 0.5)
    assert fallen_mm(fallen, since, since) == (0.0, 0.0)


def test_what_fell_before_the_table_begins_is_not_known() -> None:
    weather = weather_of(HARROW_FLATS_BODY)
    first = times.as_datetime(weather.hour_utc[0])
    assert np.isnan(fallen_mm(weather, first - timedelta(minutes=1), MORNING_UTC)).all()
    assert np.isfinite(fallen_mm(weather, first, MORNING_UTC)).all()
