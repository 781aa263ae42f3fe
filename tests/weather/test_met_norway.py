"""MET Norway bodies against hours worked by hand: instants, periods that BEGIN at their time, steps of six hours."""

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
from notes import english
from sites import small_site

from gonogo.errors import WeatherError
from gonogo.records.site import Site
from gonogo.times import as_datetime
from gonogo.units import wind_2m_m_s
from gonogo.weather.forecast_status import ForecastStatus
from gonogo.weather.series import HourlyWeather
from gonogo.weather.services.met_norway import SERVICE

BODY = fixture_body("met_norway")
VALID: dict[str, Any] = json.loads(BODY)


def changed(change: Callable[[dict[str, Any]], Any]) -> bytes:
    body = copy.deepcopy(VALID)
    change(body)
    return json.dumps(body).encode()


def weather(body: bytes = BODY, **more: Any) -> HourlyWeather:
    return weather_of(body, service="met_norway", **more)


def instant(temp_degc: float) -> dict[str, Any]:
    return {
        "details": {
            "air_temperature": temp_degc,
            "relative_humidity": 60.0,
            "wind_speed": 4.0,
            "cloud_area_fraction": 50.0,
        }
    }


def hand_made(first_utc: datetime, *, n_hourly: int = 30, n_long: int = 4, site: Site = HARROW_FLATS) -> dict[str, Any]:
    """Return a body: temperature = hours since the first stamp; 1.0 mm in every hour, 6.0 mm in every six."""
    series = []
    for at in [*range(n_hourly), *range(n_hourly, n_hourly + 6 * n_long, 6)]:
        data: dict[str, Any] = {"instant": instant(0.5 * at)}
        if at < n_hourly:
            data["next_1_hours"] = {
                "summary": {"symbol_code": "rain"},
                "details": {"precipitation_amount": 1.0 if at % 2 else 0.0},
            }
        data["next_6_hours"] = {"summary": {"symbol_code": "rain"}, "details": {"precipitation_amount": 6.0}}
        series.append({"time": (first_utc + timedelta(hours=at)).strftime("%Y-%m-%dT%H:%M:%SZ"), "data": data})
    series[-1]["data"].pop("next_6_hours")
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [site.longitude_deg, site.latitude_deg, 100]},
        "properties": {"meta": VALID["properties"]["meta"], "timeseries": series},
    }


def test_an_instant_belongs_to_its_hour_and_a_period_to_the_hours_that_follow() -> None:
    first = MORNING_UTC
    found = weather(json.dumps(hand_made(first)).encode())
    assert as_datetime(found.hour_utc[0]) == first
    assert found.temp_degc[:4].tolist() == [0.0, 0.5, 1.0, 1.5]
    # Rain of 11:00 to 12:00 stands at 11:00; no shift to either side.
    assert found.rain_mm[:4].tolist() == [0.0, 1.0, 0.0, 1.0]


def test_after_the_change_six_hours_share_one_amount_and_states_run_straight() -> None:
    found = weather(json.dumps(hand_made(MORNING_UTC)).encode())
    # 30 hours one by one, then three periods of 6 mm in six hours; the fourth stamp only ends them.
    assert len(found.rain_mm) == 30 + 18
    assert found.rain_mm[30:48].tolist() == [1.0] * 18
    assert found.temp_degc[30:42].tolist() == [15.0 + 0.5 * h for h in range(12)]
    assert any("one value for several hours" in note for note in english(found.notes))


def test_overlapping_six_hours_of_an_hourly_step_are_not_counted() -> None:
    found = weather(json.dumps(hand_made(MORNING_UTC)).encode())
    assert found.rain_mm[:30].sum() == pytest.approx(15.0)


def test_the_last_hourly_step_may_have_six_hours_only() -> None:
    body = hand_made(MORNING_UTC)
    entry = body["properties"]["timeseries"][29]
    assert entry["data"].pop("next_1_hours")
    found = weather(json.dumps(body).encode())
    assert found.rain_mm[29] == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("day", "n_hours"), [(datetime(2026, 3, 8, tzinfo=UTC), 23), (datetime(2026, 11, 1, tzinfo=UTC), 25)]
)
def test_both_days_on_which_the_clock_is_set_hold_their_own_hours(day: datetime, n_hours: int) -> None:
    zone = ZoneInfo("America/Chicago")
    body = hand_made(day - timedelta(hours=12), n_hourly=72)
    body["properties"]["meta"] = {**body["properties"]["meta"], "updated_at": None}
    found = weather(json.dumps(body).encode(), now_utc=day)
    assert (np.diff(found.hour_utc) == np.timedelta64(1, "h")).all()
    of_day = [h for h in found.hour_utc if as_datetime(h).astimezone(zone).date() == day.date()]
    assert len(of_day) == n_hours
    # 02:00 CST is 08:00 UTC, 20 hours after the first stamp, on both days.
    assert found.temp_degc[20] == 10.0


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "zone"),
    [(-34.93, 138.6, "Australia/Adelaide"), (27.72, 85.32, "Asia/Kathmandu"), (47.56, -52.71, "America/St_Johns")],
)
def test_a_zone_off_the_full_hour_has_its_values_at_the_hours_of_utc(
    latitude_deg: float, longitude_deg: float, zone: str
) -> None:
    site = small_site(latitude_deg=latitude_deg, longitude_deg=longitude_deg, zone=ZoneInfo(zone))
    found = weather(json.dumps(hand_made(MORNING_UTC, site=site)).encode(), site=site)
    assert as_datetime(found.hour_utc[1]) == MORNING_UTC + timedelta(hours=1)
    assert found.temp_degc[1] == 0.5


def test_wind_is_brought_to_two_metres_and_radiation_comes_from_cloud() -> None:
    found = weather(json.dumps(hand_made(MORNING_UTC)).encode())
    assert found.wind_2m_m_s[0] == pytest.approx(wind_2m_m_s(4.0, 10.0))
    assert any("cloud cover" in note for note in english(found.notes))
    assert found.shortwave_w_m2.max() > 300.0


def test_thunder_comes_from_the_symbol_and_from_the_chance() -> None:
    found = weather()
    evening = row(found, datetime(2026, 5, 13, 0, tzinfo=UTC))
    assert found.weather_code[evening] == 95.0
    assert found.thunder_chance[evening] == pytest.approx(0.6)


def test_a_chance_of_six_hours_adds_its_least_amount_once() -> None:
    def change(body: dict[str, Any]) -> None:
        for entry in body["properties"]["timeseries"]:
            for name in ("next_1_hours", "next_6_hours"):
                if name in entry["data"]:
                    entry["data"][name]["details"] |= {
                        "precipitation_amount": 0.0,
                        "probability_of_precipitation": 60.0,
                    }
                    entry["data"][name]["summary"]["symbol_code"] = "cloudy"

    found = weather(changed(change))
    late = slice(100, 106)
    assert found.rain_chance[late].tolist() == [0.6] * 6
    assert found.rain_mm[late].sum() == pytest.approx(0.06)  # 0.6 x 0.1 mm in the six hours


def test_a_run_of_the_model_that_is_old_is_trusted_less() -> None:
    def updated(hours: int) -> bytes:
        at = (MORNING_UTC - timedelta(hours=hours)).isoformat()
        return changed(lambda body: body["properties"]["meta"].update(updated_at=at))

    assert weather(updated(10)).status is ForecastStatus.FRESH
    assert weather(updated(30)).status is ForecastStatus.OLD
    assert weather(updated(60)).status is ForecastStatus.NONE
    assert any("own forecast is old" in note for note in english(weather(updated(30)).notes))


def test_the_request_keeps_to_four_decimals_cut_and_whole_metres() -> None:
    site = small_site(latitude_deg=59.913999, longitude_deg=-10.752299, elevation_m=94.6)
    request = SERVICE.request((site,), MORNING_UTC, None, None, "ops@example.org")
    assert request.params == {"lat": "59.9139", "lon": "-10.7522", "altitude": "95"}


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda b: b["properties"]["meta"]["units"].update(air_temperature="kelvin"), "'kelvin'.*not known"),
        (lambda b: b["properties"]["meta"].pop("units"), "units are missing"),
        (lambda b: b["properties"].update(timeseries=[]), "no times"),
        (lambda b: b["properties"]["timeseries"][3].update(time="yesterday"), "no time in UTC"),
        (lambda b: b["properties"]["timeseries"][3].update(time="2026-05-12T13:30:00Z"), "not a full hour"),
        (lambda b: b["properties"]["timeseries"][3].pop("data"), "no data"),
        (lambda b: b["geometry"].update(coordinates=[42.1, -94.3]), "km from the site|no coordinate"),
        (lambda b: b["geometry"].update(coordinates="here"), "no place"),
        (
            lambda b: b["properties"]["timeseries"][3]["data"]["instant"]["details"].update(air_temperature=99.0),
            "temp_degc = 99",
        ),
        (
            lambda b: b["properties"]["timeseries"][3]["data"]["next_1_hours"]["details"].update(
                precipitation_amount=-1.0
            ),
            "precip_mm = -1",
        ),
        (lambda b: b["properties"]["timeseries"].__delitem__(slice(5, 14)), "in a row are missing"),
        (lambda b: b["properties"]["timeseries"].__delitem__(slice(10, None)), "does not reach"),
    ],
)
def test_faults_are_refused_with_their_reason(change: Callable[[dict[str, Any]], Any], told: str) -> None:
    with pytest.raises(WeatherError, match=told) as fault:
        weather(changed(change))
    assert str(fault.value).startswith("met_norway: ")


def test_a_step_longer_than_six_hours_is_a_gap_and_not_drawn_over() -> None:
    body = hand_made(MORNING_UTC, n_long=6)
    del body["properties"]["timeseries"][32]
    with pytest.raises(WeatherError, match=r"temp_degc = nothing from .* in a row are missing"):
        weather(json.dumps(body).encode())
