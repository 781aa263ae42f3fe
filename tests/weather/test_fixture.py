"""The invented weather in fixtures/ is what its generator writes, and tells the scenario that the demo needs."""

from __future__ import annotations

import subprocess
import sys
from datetime import date, datetime

import numpy as np
import pytest
from bodies import HARROW_FLATS, HARROW_FLATS_BODY, REPO, weather_of

from gonogo.times import as_datetime


def test_the_file_is_what_the_generator_writes() -> None:
    done = subprocess.run([sys.executable, str(REPO / "tests" / "make_fixtures.py"), "--check"], check=False)
    assert done.returncode == 0, "run python tests/make_fixtures.py"


@pytest.mark.parametrize(
    ("day", "least_mm", "most_mm"),
    [
        (date(2026, 5, 7), 8.0, 10.0),
        (date(2026, 5, 10), 0.0, 0.0),
        (date(2026, 5, 11), 0.0, 0.0),
        (date(2026, 5, 12), 7.0, 9.0),
        (date(2026, 5, 13), 13.0, 15.0),
        (date(2026, 5, 16), 0.0, 0.2),
        (date(2026, 5, 18), 4.5, 5.5),
    ],
)
def test_each_day_of_the_story_has_its_rain(day: date, least_mm: float, most_mm: float) -> None:
    weather = weather_of(HARROW_FLATS_BODY)
    of_day = np.array([as_datetime(hour).astimezone(HARROW_FLATS.zone).date() == day for hour in weather.hour_utc])
    assert of_day.sum() == 24
    assert least_mm <= weather.rain_mm[of_day].sum() <= most_mm


def test_today_is_dry_until_five_in_the_afternoon() -> None:
    weather = weather_of(HARROW_FLATS_BODY)
    first_wet = next(
        as_datetime(hour).astimezone(HARROW_FLATS.zone)
        for hour, rain_mm in zip(weather.hour_utc, weather.rain_mm, strict=True)
        if hour >= np.datetime64("2026-05-12T10", "h") and rain_mm > 0.3
    )
    assert first_wet == datetime(2026, 5, 12, 17, 0, tzinfo=HARROW_FLATS.zone)
