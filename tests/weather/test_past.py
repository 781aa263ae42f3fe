"""Where a service gives no past, earlier forecasts and the gauge stand for it; unknown rain is never taken for dry."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pytest
from bodies import HARROW_FLATS, HARROW_FLATS_BODY, MORNING_UTC, fixture_body, row, weather_of
from notes import english

from gonogo.download.forecasts import earlier_forecasts
from gonogo.records.field import GaugeRain
from gonogo.records.outside import Answer
from gonogo.times import as_datetime
from gonogo.weather import series, services
from gonogo.weather.past import filled, is_short
from gonogo.weather.series import HourlyWeather, check
from gonogo.weather.table import ReceivedForecast

MET = json.loads(fixture_body("met_norway"))
HOUR = timedelta(hours=1)


def met(made_utc: datetime, rain_mm: float) -> bytes:
    """Return a MET body made at an hour: 56 hours one by one with the same rain in each."""
    series = []
    for at in range(57):
        warmth = math.cos(
            math.radians(15.0 * ((made_utc + at * HOUR).hour - 20))
        )  # warmest at 20:00 UTC, after noon there
        details = {"air_temperature": 15.0 + 5.0 * warmth, "relative_humidity": 60.0, "wind_speed": 3.0}
        entry: dict[str, Any] = {"instant": {"details": {**details, "cloud_area_fraction": 20.0}}}
        entry["next_1_hours"] = {
            "summary": {"symbol_code": "rain" if rain_mm else "fair_day"},
            "details": {"precipitation_amount": rain_mm},
        }
        series.append({"time": (made_utc + at * HOUR).strftime("%Y-%m-%dT%H:%M:%SZ"), "data": entry})
    meta = {**MET["properties"]["meta"], "updated_at": made_utc.isoformat()}
    return json.dumps({**MET, "properties": {"meta": meta, "timeseries": series}}).encode()


def stored(made_utc: datetime, rain_mm: float) -> Answer:
    return Answer(
        service="met_norway", url="x", fetched_utc=made_utc, status=200, headers={}, body=met(made_utc, rain_mm)
    )


def weather(answers: Sequence[Answer], gauge: Sequence[GaugeRain] = (), n_members: int = 40) -> HourlyWeather:
    return check(
        ReceivedForecast(
            parsed=services.find()["met_norway"].parse(met(MORNING_UTC, 0.0), HARROW_FLATS), fetched_utc=MORNING_UTC
        ),
        site=HARROW_FLATS,
        now_utc=MORNING_UTC,
        gauge=gauge,
        n_members=n_members,
        rng=np.random.default_rng(3),
        earlier=earlier_forecasts(answers, HARROW_FLATS),
    )


def days_before(days: float) -> datetime:
    return MORNING_UTC - timedelta(days=days)


def test_each_past_hour_comes_from_the_newest_forecast_that_held_it() -> None:
    found = weather([stored(days_before(2), 0.2), stored(days_before(1), 0.5)])
    assert as_datetime(found.hour_utc[0]) == days_before(2)
    assert found.rain_mm[:24].tolist() == [0.2] * 24
    assert found.rain_mm[24:48].tolist() == [0.5] * 24
    assert found.rain_mm[48] == 0.0
    assert (np.diff(found.hour_utc) == np.timedelta64(1, "h")).all()
    assert any("from 2 earlier forecasts" in note for note in english(found.notes))


def test_the_past_ends_at_the_first_hour_whose_rain_nobody_knows() -> None:
    # The forecast of five days ago reaches 56 hours; between its end and yesterday's nothing is known.
    found = weather([stored(days_before(5), 0.2), stored(days_before(1), 0.5)])
    assert as_datetime(found.hour_utc[0]) == days_before(1)


def test_without_anything_stored_the_table_begins_now_and_the_mail_says_so() -> None:
    found = weather([])
    assert as_datetime(found.hour_utc[0]) == MORNING_UTC
    assert any("Rain before Tue 12 May 05:00 is not in this forecast" in note for note in english(found.notes))


def test_the_gauge_vouches_for_hours_that_no_forecast_held() -> None:
    reading = GaugeRain(from_utc=days_before(3), until_utc=days_before(1), rain_mm=12.0)
    found = weather([stored(days_before(1), 0.5)], [reading])
    assert as_datetime(found.hour_utc[0]) == days_before(3)
    assert found.rain_mm[:48].sum() == pytest.approx(12.0)
    assert found.rain_members_mm[:48].sum(axis=0).std() < 1.0
    # Sun and air of those days stand as on the day after them.
    assert found.temp_degc[:24].tolist() == found.temp_degc[48:72].tolist()
    assert any("48 hours are from the rain gauge" in note for note in english(found.notes))


def test_a_gauge_with_a_hole_reaches_back_to_the_hole_only() -> None:
    readings = [
        GaugeRain(from_utc=days_before(4), until_utc=days_before(3), rain_mm=1.0),
        GaugeRain(from_utc=days_before(3) + 2 * HOUR, until_utc=days_before(1), rain_mm=2.0),
    ]
    found = weather([stored(days_before(1), 0.5)], readings)
    assert as_datetime(found.hour_utc[0]) == days_before(3) + 2 * HOUR


def test_rain_that_only_a_forecast_vouches_for_is_less_sure() -> None:
    def spread(found: HourlyWeather) -> float:
        start = row(found, days_before(1))
        return float(found.rain_members_mm[start : start + 24].sum(axis=0).std())

    reading = GaugeRain(from_utc=days_before(1), until_utc=MORNING_UTC, rain_mm=12.0)
    from_forecast, from_gauge = (
        weather([stored(days_before(1), 0.5)]),
        weather([stored(days_before(1), 0.5)], [reading]),
    )
    assert spread(from_forecast) > 5.0 * spread(from_gauge)
    np.testing.assert_allclose(from_forecast.rain_members_mm.mean(axis=1), from_forecast.rain_mm, atol=1e-12)


def test_past_rain_of_a_forecast_is_less_sure_than_the_same_rain_ahead(monkeypatch: pytest.MonkeyPatch) -> None:
    def spread() -> float:
        return float(weather([stored(days_before(1.0), 0.5)], n_members=400).rain_members_mm[:24].sum(axis=0).std())

    widened = spread()
    monkeypatch.setattr(series, "PAST_FORECAST_WIDENING", 1.0)
    assert widened / spread() == pytest.approx(1.17, abs=0.05)  # of a day's sum, which is dry in many members


def test_another_services_stored_days_may_stand_for_the_past() -> None:
    kept = Answer(
        service="open_meteo",
        url="x",
        fetched_utc=MORNING_UTC - 2 * HOUR,
        status=200,
        headers={},
        body=HARROW_FLATS_BODY,
    )
    found, plain = weather([kept]), weather_of(HARROW_FLATS_BODY)
    n_back = 14 * 24
    assert as_datetime(found.hour_utc[0]) == MORNING_UTC - timedelta(days=14)
    first = row(plain, MORNING_UTC - timedelta(days=14))
    np.testing.assert_allclose(found.rain_mm[:n_back], plain.rain_mm[first : first + n_back], atol=1e-9)


def test_a_forecast_with_its_own_past_is_left_as_it_is() -> None:
    parsed = services.find()["open_meteo"].parse(HARROW_FLATS_BODY, HARROW_FLATS)
    assert not is_short(parsed, MORNING_UTC)
    earlier = [ReceivedForecast(fetched_utc=days_before(1), parsed=parsed)]
    assert filled(parsed, earlier, [], now_utc=MORNING_UTC).parsed is parsed


def test_stored_answers_that_cannot_be_read_are_passed_over() -> None:
    broken = replace(stored(days_before(1), 0.5), body=b"{")
    unknown = replace(stored(days_before(1), 0.5), service="crystal_ball")
    assert earlier_forecasts([broken, unknown], HARROW_FLATS) == ()


def test_half_an_hour_that_no_gauge_caught_is_unknown_rain_too() -> None:
    readings = [
        GaugeRain(from_utc=days_before(4), until_utc=days_before(3), rain_mm=1.0),
        GaugeRain(from_utc=days_before(3) + 0.5 * HOUR, until_utc=days_before(1), rain_mm=2.0),
    ]
    found = weather([stored(days_before(1), 0.5)], readings)
    assert as_datetime(found.hour_utc[0]) == days_before(3) + HOUR


def test_what_the_gauge_caught_is_not_laid_out_as_the_rain_of_another_day() -> None:
    reading = GaugeRain(from_utc=days_before(2), until_utc=days_before(1), rain_mm=12.0)
    body = json.loads(stored(days_before(1), 0.0).body)
    body["properties"]["timeseries"][5]["data"]["next_1_hours"]["details"]["precipitation_amount"] = 8.0
    rainy = replace(stored(days_before(1), 0.0), body=json.dumps(body).encode())
    found = weather([rainy], [reading])
    assert found.rain_mm[:24] == pytest.approx(0.5)
    assert found.rain_mm[29] == pytest.approx(8.0)
