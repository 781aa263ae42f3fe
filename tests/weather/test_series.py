"""The ladder of trust, every rung, and clocks that are wrong."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from bodies import HARROW_FLATS, HARROW_FLATS_BODY, MORNING_UTC, weather_of

from gonogo.weather import services
from gonogo.weather.series import Rung, check, rung
from gonogo.weather.services.open_meteo import SERVICE
from gonogo.weather.trust import clock_rung, lowest, model_rung


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


# --- clocks and model runs ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("offset_h", "expected"),
    [
        (0.0, Rung.FRESH),
        (0.25, Rung.FRESH),
        (-0.25, Rung.FRESH),
        (0.3, Rung.OLD),
        (-0.9, Rung.OLD),
        (1.1, Rung.NONE),
        (-24.0, Rung.NONE),
        (24.0 * 365, Rung.NONE),
        (float("nan"), Rung.FRESH),  # the service told no time
    ],
)
def test_a_clock_that_is_wrong_lowers_the_rung(offset_h: float, expected: Rung) -> None:
    assert clock_rung(offset_h * 3600.0) is expected


@pytest.mark.parametrize(("age_h", "expected"), [(0, Rung.FRESH), (24, Rung.FRESH), (25, Rung.OLD), (49, Rung.NONE)])
def test_a_model_run_that_is_old_lowers_the_rung(age_h: int, expected: Rung) -> None:
    assert model_rung(MORNING_UTC - timedelta(hours=age_h), MORNING_UTC) is expected


def test_the_lowest_of_all_rungs_counts() -> None:
    assert lowest(Rung.FRESH, Rung.OLD, Rung.FRESH) is Rung.OLD
    assert lowest(Rung.NONE, Rung.OLD, Rung.FRESH) is Rung.NONE
    assert lowest(Rung.FRESH, Rung.FRESH) is Rung.FRESH


def test_a_wrong_clock_is_told_and_nobody_is_told_to_compact() -> None:
    parsed = services.find()["open_meteo"].parse(HARROW_FLATS_BODY, HARROW_FLATS)
    weather = check(
        parsed,
        site=HARROW_FLATS,
        now_utc=MORNING_UTC,
        fetched_utc=MORNING_UTC,
        gauge=[],
        n_members=10,
        rng=np.random.default_rng(1),
        clock_offset_s=-3 * 86400.0,
    )
    assert weather.rung is Rung.NONE
    assert any("clock of the machine is 3 days ahead of" in note for note in weather.repairs)
