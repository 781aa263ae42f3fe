"""The ladder of trust, every rung, and clocks that are wrong."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from bodies import HARROW_FLATS_BODY, MORNING_UTC, weather_of

from gonogo.weather.series import Rung, rung
from gonogo.weather.services.open_meteo import SERVICE


@pytest.mark.parametrize(
    ("age_h", "expected"),
    [
        (0.0, Rung.FRESH),
        (6.0, Rung.FRESH),
        (6.01, Rung.OLD),
        (24.0, Rung.OLD),
        (24.01, Rung.NONE),
        (1e6, Rung.NONE),
        (-0.2, Rung.FRESH),  # two clocks are never quite the same
        (-0.3, Rung.NONE),  # an answer from the future: a clock is wrong
        (-1e6, Rung.NONE),
        (float("nan"), Rung.NONE),
    ],
)
def test_age_decides_the_rung(age_h: float, expected: Rung) -> None:
    assert rung(age_h) is expected


@pytest.mark.parametrize(("age_h", "expected"), [(1, Rung.FRESH), (12, Rung.OLD), (30, Rung.NONE), (-5, Rung.NONE)])
def test_the_weather_carries_the_rung_of_its_answer(age_h: int, expected: Rung) -> None:
    weather = weather_of(HARROW_FLATS_BODY, fetched_utc=MORNING_UTC - timedelta(hours=age_h))
    assert weather.rung is expected


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
    one, other = weather_of(HARROW_FLATS_BODY), weather_of(HARROW_FLATS_BODY)
    assert (one.rain_members_mm == other.rain_members_mm).all()
