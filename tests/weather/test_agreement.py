"""An answer that contradicts itself: rejected, or its rain not known; never a silent "dry"."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pandas as pd
import pytest
from bodies import HARROW_FLATS, HARROW_FLATS_BODY, MORNING_UTC, VALID, changed, fixture_body, row, weather_of
from notes import english

from gonogo.download.usable import usable
from gonogo.errors import WeatherError
from gonogo.records.outside import Answer
from gonogo.weather.agreement import AGREEMENTS
from gonogo.weather.own_days import OwnDays
from gonogo.weather.series import fallen_mm

NOW = VALID["hourly"]["time"].index(int(MORNING_UTC.timestamp()))
N = len(VALID["hourly"]["time"])
Change = Callable[[dict[str, Any]], Any]


def column(name: str, change: Callable[[list[Any]], list[Any]]) -> Change:
    def apply(body: dict[str, Any]) -> None:
        body["hourly"][name] = change(body["hourly"][name])

    return apply


def scaled(name: str, factor: float) -> Change:
    return column(name, lambda values: [value * factor for value in values])


def running_total(values: list[float]) -> list[float]:
    return [round(float(total), 2) for total in np.cumsum(np.array(values) + 0.02)]


def as_snow(body: dict[str, Any]) -> None:
    """All rain under the name of snow, by the service's own ratio of 0.7 cm a millimetre of water."""
    body["hourly"]["snowfall"] = [round(0.7 * mm, 2) for mm in body["hourly"]["precipitation"]]


def bare(change: Change) -> Change:
    """Return a change of an answer without the columns that are there as a check alone."""

    def apply(body: dict[str, Any]) -> None:
        del body["hourly"]["et0_fao_evapotranspiration"], body["hourly"]["dew_point_2m"]
        change(body)

    return apply


def windy(body: dict[str, Any]) -> None:
    """A windy month in km/h under the name of m/s, from a service without evapotranspiration."""
    del body["hourly"]["et0_fao_evapotranspiration"]
    scaled("wind_speed_10m", 1.5 * 3.6)(body)


def coded(mm: float) -> int:
    """Return the service's code of an hour's rain."""
    return next((code for least, code in ((7.6, 65), (2.5, 63), (1.3, 61), (0.1, 51)) if mm >= least), 3)


def wet_week(change: Callable[[list[float]], list[float]]) -> Change:
    """Showers on six days gone by, coded as they are, and their amounts changed after that."""

    def apply(body: dict[str, Any]) -> None:
        hourly = body["hourly"]
        mm = hourly["precipitation"]
        for day in range(2, 8):
            first = NOW - 24 * day
            mm[first : first + 6] = [0.4, 1.5, 3.2, 4.8, 2.9, 0.3]
            hourly["precipitation_probability"][first - 1 : first + 7] = [95] * 8
            hourly["weather_code"][first : first + 6] = [coded(v) for v in mm[first : first + 6]]
        hourly["precipitation"] = change(mm)

    return apply


BROKEN: dict[str, Change] = {
    "rain in cm under codes of moderate rain": wet_week(lambda values: [round(v * 0.1, 2) for v in values]),
    "amounts three hours beside their codes": wet_week(lambda values: values[-3:] + values[:-3]),
    "summer rain as snow": as_snow,
    "amounts in metres": scaled("precipitation", 0.001),
    "no amount at all": scaled("precipitation", 0.0),
    "a running total": column("precipitation", running_total),
    "rain in reverse": column("precipitation", lambda values: values[::-1]),
    "no radiation": scaled("shortwave_radiation", 0.0),
    "radiation in MJ": scaled("shortwave_radiation", 0.0036),
    "two fifths more sun": scaled("shortwave_radiation", 1.4),
    "radiation an hour late": column("shortwave_radiation", lambda values: values[-1:] + values[:-1]),
    "temperature in reverse": column("temperature_2m", lambda values: values[::-1]),
    "humidity as a fraction": scaled("relative_humidity_2m", 0.01),
    "warmer by 8 degrees": column("temperature_2m", lambda values: [value + 8.0 for value in values]),
    "wind in km/h under the name of m/s": windy,
    "air as dry as in no land": bare(scaled("relative_humidity_2m", 0.01)),
    "evapotranspiration of a quarter less": scaled("et0_fao_evapotranspiration", 0.75),
    "evapotranspiration of another place": scaled("et0_fao_evapotranspiration", 1.6),
}


@pytest.mark.parametrize("fault", BROKEN)
def test_a_column_that_the_others_contradict_rejects_the_answer(fault: str) -> None:
    with pytest.raises(WeatherError, match="contradicts itself") as refusal:
        weather_of(changed(BROKEN[fault]))
    assert not refusal.value.passing


def test_the_sound_answer_agrees_with_itself() -> None:
    assert not weather_of(HARROW_FLATS_BODY).rain_unknown.any()
    assert len({agreement.id for agreement in AGREEMENTS}) == len(AGREEMENTS)


def test_showers_that_fit_their_codes_are_sound() -> None:
    """What the broken ones are changed from; an hour beside is how codes of a moment lie beside sums of an hour."""
    for change in (lambda values: values, lambda values: values[-1:] + values[:-1]):
        assert not weather_of(changed(wet_week(change))).rain_unknown.any()


@pytest.mark.parametrize(
    ("hours", "rise_mm", "is_total"), [(60, 0.6, True), (60, 0.4, False), (59, 0.6, False), (100, 3.0, True)]
)
def test_amounts_that_rise_for_sixty_hours_by_a_shower_are_a_running_total(
    hours: int, rise_mm: float, is_total: bool
) -> None:
    rain_mm = np.concatenate((np.zeros(10), 0.1 + np.linspace(0.0, rise_mm, hours), np.zeros(10)))
    table = pd.DataFrame({"precip_mm": rain_mm})
    days = cast("OwnDays", SimpleNamespace(column=lambda name: table[name].to_numpy(), is_whole=np.ones(3, dtype=bool)))
    (running,) = (agreement for agreement in AGREEMENTS if agreement.id == "rain_running")
    assert (running.run(days) is not None) == is_total


def test_showers_of_an_hour_each_are_told_by_the_code_of_the_hour_beside() -> None:
    def change(body: dict[str, Any]) -> None:
        ahead = slice(NOW + 96, NOW + 120)  # a little chance is all that so far ahead is said of it
        for name, value in (("precipitation", 0.0), ("precipitation_probability", 25), ("weather_code", 2)):
            body["hourly"][name][ahead] = [value] * 24
        for at in range(NOW + 98, NOW + 118, 4):
            body["hourly"]["precipitation"][at], body["hourly"]["weather_code"][at] = 1.6, 61

    assert not weather_of(changed(change)).rain_unknown.any()


def test_a_little_rain_in_a_step_of_six_hours_fits_its_picture() -> None:
    """0.2 mm are 0.03 mm in each of its hours, and rain all the same."""
    body = json.loads(fixture_body("met_norway"))
    steps = [s for s in body["properties"]["timeseries"] if set(s["data"]) == {"instant", "next_6_hours"}]
    for number, step in enumerate(steps):
        period, rains = step["data"]["next_6_hours"], number == 4
        period["summary"]["symbol_code"] = "lightrain" if rains else "fair_day"
        period["details"] |= {
            "precipitation_amount": 0.2 * rains,
            "probability_of_precipitation": 40.0 * rains,
        }
    weather = weather_of(json.dumps(body).encode(), service="met_norway")
    assert not weather.rain_unknown.any()


def unknown_today(body: dict[str, Any], service: str) -> bool:
    """Return whether rain of the morning's shift counts as not known."""
    weather = weather_of(json.dumps(body).encode(), service=service)
    return bool(weather.rain_unknown[row(weather, MORNING_UTC + timedelta(hours=4))])


@pytest.mark.parametrize("chance", [100.0, 40.0])
def test_dry_hours_under_a_sure_chance_are_unknown_rain_though_the_day_has_rain(chance: float) -> None:
    body = json.loads(fixture_body("met_norway"))
    for at, step in enumerate(body["properties"]["timeseries"][:18]):
        period = step["data"]["next_1_hours"]
        period["summary"]["symbol_code"] = "rain" if at < 3 else "cloudy"
        wet = {"precipitation_amount": 1.2, "probability_of_precipitation": 100.0}
        dry = {"precipitation_amount": 0.0, "probability_of_precipitation": chance}
        period["details"] |= wet if at < 3 else dry
    assert unknown_today(body, "met_norway") is (chance == 100.0)


@pytest.mark.parametrize("chance", [100, 60])
def test_a_period_without_rain_under_a_sure_chance_is_unknown_rain(chance: int) -> None:
    body = json.loads(fixture_body("nws"))
    day = f"{MORNING_UTC:%Y-%m-%d}"
    layers = body["properties"]
    layers["probabilityOfPrecipitation"]["values"] = [
        {"validTime": f"{day}T06:00:00+00:00/PT18H", "value": chance},
        {"validTime": "2026-05-13T00:00:00+00:00/P5D", "value": 0},
    ]
    layers["quantitativePrecipitation"]["values"] = [{"validTime": f"{day}T06:00:00+00:00/P6D", "value": 0}]
    assert unknown_today(body, "nws") is (chance == 100)


@pytest.mark.parametrize("hours", [-48, -24, 24])
def test_intervals_of_the_us_service_that_lie_a_day_from_their_update_are_refused(hours: int) -> None:
    def later(found: re.Match[str]) -> str:
        return (datetime.fromisoformat(found[1]) + timedelta(hours=hours)).isoformat() + "/"

    body = re.sub(r"(\d{4}-\d\d-\d\dT\d\d:00:00\+00:00)/", later, fixture_body("nws").decode())
    with pytest.raises(WeatherError, match="from the update"):
        weather_of(body.encode(), service="nws")


def rainless_today(body: dict[str, Any]) -> None:
    """Chance 100 % and a code of rain through the day, and amounts of nothing."""
    for name, value in (("precipitation", 0.0), ("precipitation_probability", 100), ("weather_code", 65)):
        body["hourly"][name][NOW : NOW + 12] = [value] * 12


def test_a_day_whose_amounts_contradict_chance_and_code_is_unknown_rain_and_says_so() -> None:
    weather = weather_of(changed(rainless_today))
    inside = slice(row(weather, MORNING_UTC), row(weather, MORNING_UTC + timedelta(hours=10)))
    assert weather.rain_unknown[inside].all()
    assert (weather.rain_members_mm[inside].sum(axis=0) > 5.0).mean() > 0.5
    assert any("contradicts chance and sky" in text for text in english(weather.notes))


def test_missing_rain_is_unknown_rain_with_the_chance_of_its_neighbours() -> None:
    def with_hole(body: dict[str, Any], of: float | None) -> None:
        body["hourly"]["precipitation"][NOW + 4 : NOW + 7] = [of] * 3
        body["hourly"]["precipitation_probability"][NOW + 3 : NOW + 8] = [70] * 5

    told, missing = (weather_of(changed(lambda b, of=of: with_hole(b, of)), n_members=200) for of in (0.0, None))
    hole = slice(row(missing, MORNING_UTC + timedelta(hours=3)), row(missing, MORNING_UTC + timedelta(hours=6)))
    assert missing.rain_unknown[hole].tolist() == [True] * 3
    assert missing.rain_unknown.sum() == 3
    assert np.std(missing.rain_members_mm[hole].sum(axis=0)) > 2.0 * np.std(told.rain_members_mm[hole].sum(axis=0))
    assert (missing.rain_members_mm[hole] >= 0.1).mean() == pytest.approx(0.66, abs=0.1)
    assert any("is missing" in text or "are missing" in text for text in english(missing.notes))


def test_what_fell_over_unknown_hours_is_not_known() -> None:
    weather = weather_of(changed(rainless_today))
    later = MORNING_UTC + timedelta(hours=8)
    assert np.isnan(fallen_mm(weather, MORNING_UTC, later)[0])
    assert np.isfinite(fallen_mm(weather, MORNING_UTC - timedelta(days=3), MORNING_UTC - timedelta(days=1))[0])


@pytest.mark.parametrize("days", [-3, -2, -1, 1, 2, 3])
def test_stamps_that_are_whole_days_off_are_refused(days: int) -> None:
    body = changed(column("time", lambda values: [at + 86_400 * days for at in values]))
    answer = Answer(service="open_meteo", url="x", fetched_utc=MORNING_UTC, status=200, headers={}, body=body)
    with pytest.raises(WeatherError, match="first hour asked for"):
        usable(answer, HARROW_FLATS, MORNING_UTC)


def test_around_midnight_either_day_of_the_service_is_right() -> None:
    midnight = datetime(2026, 5, 12, tzinfo=UTC)
    for minutes in (-5, 5):
        answer = Answer(
            service="open_meteo",
            url="x",
            fetched_utc=midnight + timedelta(minutes=minutes),
            status=200,
            headers={},
            body=HARROW_FLATS_BODY,
        )
        assert usable(answer, HARROW_FLATS, midnight).checked
