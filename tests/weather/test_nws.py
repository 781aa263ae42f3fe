"""Bodies of the US service against hours worked by hand: totals spread, states repeated, the cell asked for first."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from bodies import HARROW_FLATS, MORNING_UTC, fixture_body, row, weather_of

from gonogo.errors import WeatherError
from gonogo.times import as_datetime
from gonogo.units import wind_2m_m_s
from gonogo.weather.series import HourlyWeather
from gonogo.weather.services.nws import SERVICE, follow

BODY = fixture_body("nws")
PLACE = fixture_body("nws", "harrow_flats_place")
VALID: dict[str, Any] = json.loads(BODY)


def changed(change: Callable[[dict[str, Any]], Any]) -> bytes:
    body = copy.deepcopy(VALID)
    change(body["properties"])
    return json.dumps(body).encode()


def weather(body: bytes = BODY, **more: Any) -> HourlyWeather:
    return weather_of(body, service="nws", **more)


def layer(unit: str, *values: tuple[str, float | None]) -> dict[str, Any]:
    return {"uom": unit, "values": [{"validTime": valid, "value": value} for valid, value in values]}


def hand_made(first_utc: datetime, *, hours: int = 48) -> bytes:
    """Return a body: states in one interval, rain in six-hour buckets after a first of three hours."""
    start = first_utc.strftime("%Y-%m-%dT%H:%M:%S+00:00")
    days, rest = divmod(hours, 24)
    whole = f"{start}/P{days}D" + (f"T{rest}H" if rest else "")
    rain = [(f"{start}/PT3H", 3.0)]
    for at in range(3, hours, 6):
        moment = (first_utc + timedelta(hours=at)).strftime("%Y-%m-%dT%H:%M:%S+00:00")
        rain.append((f"{moment}/PT{min(6, hours - at)}H", 1.2 if at % 12 == 3 else 0.0))
    body = copy.deepcopy(VALID)
    body["properties"] = {
        "updateTime": start,
        "temperature": layer(
            "wmoUnit:degC",
            (f"{start}/PT2H", 10.0),
            *[((f"{(first_utc + timedelta(hours=2)).isoformat()}/P{days}DT{rest}H"), 12.5)],
        ),
        "relativeHumidity": layer("wmoUnit:percent", (whole, 80.0)),
        "windSpeed": layer("wmoUnit:km_h-1", (whole, 36.0)),
        "skyCover": layer("wmoUnit:percent", (whole, 40.0)),
        "quantitativePrecipitation": layer("wmoUnit:mm", *rain),
    }
    return json.dumps(body).encode()


def test_a_total_is_spread_over_its_interval_and_a_state_holds_through_it() -> None:
    found = weather(hand_made(MORNING_UTC))
    assert found.rain_mm[:9].round(9).tolist() == [1.0, 1.0, 1.0, 0.2, 0.2, 0.2, 0.2, 0.2, 0.2]
    assert found.temp_degc[:4].tolist() == [10.0, 10.0, 12.5, 12.5]
    # 36 km/h are 10 m/s at 10 m.
    assert found.wind_2m_m_s[0] == pytest.approx(wind_2m_m_s(10.0, 10.0))


def test_what_was_said_of_hours_before_the_update_is_no_weather() -> None:
    assert VALID["properties"]["temperature"]["values"][0]["validTime"].startswith("2026-05-12T07:00")
    found = weather()
    assert as_datetime(found.hour_utc[0]) == datetime(2026, 5, 12, 9, tzinfo=UTC)


def test_equal_neighbours_of_rain_are_two_amounts() -> None:
    def change(layers: dict[str, Any]) -> None:
        for bucket in layers["quantitativePrecipitation"]["values"][3:5]:
            bucket["value"] = 4.8

    found = weather(changed(change))
    first = datetime(2026, 5, 13, 0, tzinfo=UTC)
    both = slice(row(found, first), row(found, first + timedelta(hours=12)))
    assert found.rain_mm[both].sum() == pytest.approx(9.6)


@pytest.mark.parametrize(
    ("day", "n_hours"), [(datetime(2026, 3, 8, tzinfo=UTC), 23), (datetime(2026, 11, 1, tzinfo=UTC), 25)]
)
def test_both_days_on_which_the_clock_is_set_hold_their_own_hours(day: datetime, n_hours: int) -> None:
    found = weather(hand_made(day - timedelta(hours=6), hours=72), now_utc=day)
    zone = ZoneInfo("America/Chicago")
    assert (np.diff(found.hour_utc) == np.timedelta64(1, "h")).all()
    assert sum(as_datetime(h).astimezone(zone).date() == day.date() for h in found.hour_utc) == n_hours
    assert found.rain_mm[:4].round(9).tolist() == [1.0, 1.0, 1.0, 0.2]


def test_an_offset_of_the_stamps_is_followed() -> None:
    def local(layers: dict[str, Any]) -> None:
        for name in ("temperature", "quantitativePrecipitation"):
            for entry in layers[name]["values"]:
                start, _, duration = entry["validTime"].partition("/")
                at = datetime.fromisoformat(start).astimezone(ZoneInfo("America/Chicago"))
                entry["validTime"] = f"{at.isoformat()}/{duration}"

    first, other = weather(), weather(changed(local))
    assert (first.hour_utc == other.hour_utc).all()
    np.testing.assert_allclose(first.rain_mm, other.rain_mm)


def test_metres_of_rain_are_millimetres_by_their_unit() -> None:
    def change(layers: dict[str, Any]) -> None:
        rain = layers["quantitativePrecipitation"]
        rain["uom"] = "unit:m"
        for entry in rain["values"]:
            entry["value"] /= 1000.0

    np.testing.assert_allclose(weather(changed(change)).rain_mm, weather().rain_mm, atol=1e-9)


def test_thunder_stands_with_its_chance_and_its_code() -> None:
    found = weather()
    evening = row(found, datetime(2026, 5, 13, 0, tzinfo=UTC))
    assert found.thunder_chance[evening] == pytest.approx(0.65)
    assert found.weather_code[evening] == 95.0


def test_isolated_thunder_is_a_chance_and_no_code() -> None:
    def change(layers: dict[str, Any]) -> None:
        for entry in layers["weather"]["values"]:
            for said in entry["value"]:
                said["coverage"] = "isolated" if said["weather"] == "thunderstorms" else said["coverage"]

    found = weather(changed(change))
    evening = row(found, datetime(2026, 5, 13, 0, tzinfo=UTC))
    assert found.thunder_chance[evening] == pytest.approx(0.2)
    assert found.weather_code[evening] != 95.0


def test_a_chance_of_a_period_adds_its_least_amount_once() -> None:
    def change(layers: dict[str, Any]) -> None:
        for entry in layers["quantitativePrecipitation"]["values"]:
            entry["value"] = 0.0
        start = "2026-05-12T06:00:00+00:00"
        layers["probabilityOfPrecipitation"] = layer("wmoUnit:percent", (f"{start}/P6D", 60.0))

    found = weather(changed(change))
    assert found.rain_mm[:12].sum() == pytest.approx(0.06)
    assert found.rain_chance[:12].tolist() == [0.6] * 12


def test_the_first_question_asks_for_the_cell_and_the_second_for_its_layers() -> None:
    first = SERVICE.request((HARROW_FLATS,), MORNING_UTC, None, None, "ops@example.org")
    assert first.url == "https://api.weather.gov/points/42.137,-94.368"
    second = follow(PLACE, None)
    assert second.url == "https://api.weather.gov/gridpoints/XYZ/41,87"
    assert follow(PLACE, "http://127.0.0.1:9/").url == "http://127.0.0.1:9/gridpoints/XYZ/41,87"


@pytest.mark.parametrize(
    "cell",
    [
        {"gridId": "../x", "gridX": 1, "gridY": 2},
        {"gridId": "XYZ", "gridX": "1/../..", "gridY": 2},
        {"gridId": "XYZ", "gridX": True, "gridY": 2},
        {},
    ],
)
def test_an_answer_that_names_no_cell_leads_nowhere(cell: dict[str, Any]) -> None:
    with pytest.raises(WeatherError, match="no grid cell"):
        follow(json.dumps({"properties": cell}).encode(), None)


def first_of(layers: dict[str, Any], name: str) -> dict[str, Any]:
    values: list[dict[str, Any]] = layers[name]["values"]
    return values[0]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda p: p["temperature"].update(uom="wmoUnit:K"), "K.*not known"),
        (lambda p: p["quantitativePrecipitation"].pop("uom"), "not known"),
        (lambda p: p.pop("relativeHumidity"), "rh_pct = nothing"),
        (lambda p: p.update(temperature={"values": []}), "temp_degc = nothing"),
        (lambda p: first_of(p, "temperature").update(validTime="2026-05-12T07:00:00+00:00/PT30M"), "interval in hours"),
        (lambda p: first_of(p, "temperature").update(validTime="NOW/PT3H"), "no time"),
        (lambda p: first_of(p, "temperature").update(validTime="2026-05-12T07:30:00+00:00/PT3H"), "full hour"),
        (lambda p: first_of(p, "temperature").update(validTime="2026-05-12T07:00:00+00:00/P900D"), "interval in hours"),
        (lambda p: first_of(p, "temperature").update(value="warm"), "no number"),
        (lambda p: p.update(updateTime="soon"), "no time"),
        (lambda p: p["quantitativePrecipitation"]["values"][2].update(value=-2.0), "precip_mm = "),
        (lambda p: p["temperature"]["values"].insert(3, {**p["temperature"]["values"][6], "value": -5}), "two values"),
    ],
)
def test_faults_are_refused_with_their_reason(change: Callable[[dict[str, Any]], Any], told: str) -> None:
    with pytest.raises(WeatherError, match=told) as fault:
        weather(changed(change))
    assert str(fault.value).startswith("nws: ")


def test_an_error_of_the_service_is_a_passing_fault() -> None:
    problem = {"title": "Forecast Grid Expired", "status": 503, "detail": "it has expired", "type": "urn:x"}
    with pytest.raises(WeatherError, match="Forecast Grid Expired") as fault:
        weather(json.dumps(problem).encode())
    assert fault.value.passing


def test_a_day_and_six_hours_are_thirty_hours() -> None:
    start = MORNING_UTC.strftime("%Y-%m-%dT%H:%M:%S+00:00")
    body = json.loads(hand_made(MORNING_UTC, hours=72))
    body["properties"]["quantitativePrecipitation"] = layer(
        "wmoUnit:mm",
        (f"{start}/P1DT6H", 60.0),
        (f"{(MORNING_UTC + timedelta(hours=30)).isoformat()}/P1DT18H", 0.0),
    )
    assert weather(json.dumps(body).encode()).rain_mm[:32].round(9).tolist() == [2.0] * 30 + [0.0] * 2


def test_the_hour_of_the_update_is_the_first() -> None:
    assert as_datetime(weather(hand_made(MORNING_UTC)).hour_utc[0]) == MORNING_UTC


@pytest.mark.parametrize(("hours", "is_refused"), [(12, False), (13, True), (-12, False), (-13, True)])
def test_intervals_begin_within_half_a_day_of_the_update(hours: int, is_refused: bool) -> None:
    body = json.loads(hand_made(MORNING_UTC))
    body["properties"]["updateTime"] = (MORNING_UTC + timedelta(hours=hours)).isoformat()
    parse = SERVICE.parse
    if is_refused:
        with pytest.raises(WeatherError, match="begins more than 12 h from the update"):
            parse(json.dumps(body).encode(), HARROW_FLATS)
    else:
        assert parse(json.dumps(body).encode(), HARROW_FLATS).table.shape[0] > 0
