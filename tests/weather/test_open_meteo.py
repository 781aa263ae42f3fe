"""Open-Meteo bodies against hours worked by hand: which stamp belongs to which hour, in which unit."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from bodies import HARROW_FLATS, HARROW_FLATS_BODY, MORNING_UTC, VALID, changed, row, weather_of
from notes import english
from sites import small_site

from gonogo.errors import WeatherError
from gonogo.units import wind_2m_m_s
from gonogo.weather.series import HourlyWeather
from gonogo.weather.services.open_meteo import SERVICE

NOON_UTC = datetime(2026, 5, 12, 12, 0, tzinfo=UTC)
NOON_AT = VALID["hourly"]["time"].index(int(NOON_UTC.timestamp()))
SERIES = ("temp_degc", "rh_pct", "wind_2m_m_s", "pressure_kpa", "shortwave_w_m2", "rain_mm", "rain_chance", "snow_mm")


def assert_same(first: HourlyWeather, other: HourlyWeather, *, within: float = 1e-9) -> None:
    """Two weathers hold the same hours and values."""
    assert (first.hour_utc == other.hour_utc).all()
    for name in SERIES:
        np.testing.assert_allclose(getattr(first, name), getattr(other, name), atol=within, err_msg=name)


def at_noon(name: str, value: object) -> bytes:
    """Return the body with one value set at the stamp 2026-05-12 12:00 UTC."""

    def change(body: dict[str, Any]) -> None:
        body["hourly"][name][NOON_AT] = value

    return changed(change)


def test_a_state_belongs_to_the_hour_that_begins_at_its_stamp() -> None:
    weather = weather_of(at_noon("temperature_2m", 33.3))
    assert weather.temp_degc[row(weather, NOON_UTC)] == 33.3
    assert (weather.temp_degc == 33.3).sum() == 1


@pytest.mark.parametrize(
    ("theirs", "value", "ours", "expected"),
    [
        ("precipitation", 7.7, "rain_mm", 7.7),
        ("shortwave_radiation", 555.5, "shortwave_w_m2", 555.5),
        ("precipitation_probability", 77, "rain_chance", 0.77),
    ],
)
def test_a_sum_or_mean_belongs_to_the_hour_that_ends_at_its_stamp(
    theirs: str, value: float, ours: str, expected: float
) -> None:
    weather = weather_of(at_noon(theirs, value))
    eleven = row(weather, NOON_UTC - timedelta(hours=1))
    values = getattr(weather, ours)
    assert values[eleven] == pytest.approx(expected)
    assert values[eleven + 1] != pytest.approx(expected)


def test_wind_at_ten_metres_becomes_wind_at_two() -> None:
    weather = weather_of(at_noon("wind_speed_10m", 10.0))
    # FAO-56, eq. 47: 10 m/s at 10 m are 10 x 0.748 at 2 m.
    assert weather.wind_2m_m_s[row(weather, NOON_UTC)] == pytest.approx(7.48, abs=0.005)


def test_hectopascal_becomes_kilopascal() -> None:
    weather = weather_of(at_noon("surface_pressure", 971.3))
    assert weather.pressure_kpa[row(weather, NOON_UTC)] == pytest.approx(97.13)


def test_snow_is_taken_out_of_rain_as_water() -> None:
    def change(body: dict[str, Any]) -> None:
        body["hourly"]["precipitation"][NOON_AT] = 3.0
        body["hourly"]["snowfall"][NOON_AT] = 1.4  # cm; 7 cm are 10 mm of water, so 2.0 mm
        body["hourly"]["temperature_2m"][NOON_AT] = 1.5  # in warm air it would not be believed

    weather = weather_of(changed(change))
    eleven = row(weather, NOON_UTC - timedelta(hours=1))
    assert weather.snow_mm[eleven] == pytest.approx(2.0)
    assert weather.rain_mm[eleven] == pytest.approx(1.0)


def test_without_snowfall_frozen_hours_count_as_snow_and_the_mail_says_so() -> None:
    def change(body: dict[str, Any]) -> None:
        del body["hourly"]["snowfall"], body["hourly_units"]["snowfall"]
        body["hourly"]["precipitation"][NOON_AT] = 3.0
        body["hourly"]["temperature_2m"][NOON_AT - 1] = -1.0

    weather = weather_of(changed(change))
    eleven = row(weather, NOON_UTC - timedelta(hours=1))
    assert weather.snow_mm[eleven] == pytest.approx(3.0)
    assert weather.rain_mm[eleven] == 0.0
    assert any("Snow was told from rain by temperature" in note for note in english(weather.notes))


def test_the_first_hour_has_its_sum_and_the_last_its_sum() -> None:
    weather = weather_of(HARROW_FLATS_BODY)
    stamps = VALID["hourly"]["time"]
    assert weather.hour_utc[0] == np.datetime64(stamps[0], "s")
    assert weather.hour_utc[-1] == np.datetime64(stamps[-2], "s")
    assert len(weather.hour_utc) == len(stamps) - 1
    assert weather.rain_mm[-1] == pytest.approx(
        max(VALID["hourly"]["precipitation"][-1], VALID["hourly"]["precipitation_probability"][-1] / 100 * 0.1)
    )


def test_local_times_with_one_offset_are_the_same_hours_as_seconds_since_1970() -> None:
    def change(body: dict[str, Any]) -> None:
        offset = timedelta(hours=-5)
        body["utc_offset_seconds"] = -18000
        body["timezone"] = "America/Chicago"
        body["hourly_units"]["time"] = "iso8601"
        body["hourly"]["time"] = [
            (datetime.fromtimestamp(stamp, tz=UTC) + offset).strftime("%Y-%m-%dT%H:%M")
            for stamp in body["hourly"]["time"]
        ]

    assert_same(weather_of(changed(change)), weather_of(HARROW_FLATS_BODY))


@pytest.mark.parametrize(
    ("first", "offset_s"),
    [
        (datetime(2026, 3, 4, tzinfo=UTC), -21600),  # the clock is set forward on 03-08, the labels keep one offset
        (datetime(2026, 10, 28, tzinfo=UTC), -18000),  # the clock is set back on 11-01
    ],
)
def test_labels_run_through_both_days_on_which_the_clock_is_set(first: datetime, offset_s: int) -> None:
    n_hours = 8 * 24
    labels = [(first + timedelta(hours=h)).strftime("%Y-%m-%dT%H:%M") for h in range(n_hours)]

    def change(body: dict[str, Any]) -> None:
        body["utc_offset_seconds"] = offset_s
        body["hourly_units"]["time"] = "iso8601"
        body["hourly"] = {name: values[:n_hours] for name, values in body["hourly"].items()}
        body["hourly"]["time"] = labels
        body["hourly"]["shortwave_radiation"] = [None] * n_hours
        body["hourly"]["precipitation"] = [0.0] * n_hours
        body["hourly"]["precipitation"][5 * 24] = 4.0
        body["hourly"]["weather_code"] = body["hourly"]["precipitation_probability"] = [None] * n_hours
        body["hourly"]["temperature_2m"] = [12.0, 13.0] * (n_hours // 2)  # of no hour of the day
        body["hourly"]["dew_point_2m"] = [None] * n_hours

    first_utc = first - timedelta(seconds=offset_s)
    weather = weather_of(changed(change), now_utc=first_utc + timedelta(hours=12))
    assert weather.hour_utc[0] == np.datetime64(first_utc.replace(tzinfo=None), "h")
    assert (np.diff(weather.hour_utc) == np.timedelta64(1, "h")).all()
    # The label 00:00 five days later ends the hour that begins five days less one hour after the first.
    assert weather.rain_mm[5 * 24 - 1] == pytest.approx(4.0)


def test_units_are_taken_by_name() -> None:
    def change(body: dict[str, Any]) -> None:
        hourly, units = body["hourly"], body["hourly_units"]
        units |= {
            "temperature_2m": "°F",
            "precipitation": "inch",
            "wind_speed_10m": "mp/h",
            "soil_temperature_0cm": "°F",
            "snowfall": "inch",
        }
        for name in ("temperature_2m", "soil_temperature_0cm"):
            hourly[name] = [value * 1.8 + 32.0 for value in hourly[name]]
        hourly["precipitation"] = [value / 25.4 for value in hourly["precipitation"]]
        hourly["wind_speed_10m"] = [value / 0.44704 for value in hourly["wind_speed_10m"]]

    assert_same(weather_of(changed(change)), weather_of(HARROW_FLATS_BODY), within=1e-8)


@pytest.mark.parametrize(("unit", "shown"), [("km/h", 36.0), ("kn", 19.43844), ("mp/h", 22.36936), ("m/s", 10.0)])
def test_ten_metres_a_second_in_every_unit_of_speed(unit: str, shown: float) -> None:
    def change(body: dict[str, Any]) -> None:
        body["hourly_units"]["wind_speed_10m"] = unit
        body["hourly"]["wind_speed_10m"] = [shown] * len(body["hourly"]["time"])

    expected = wind_2m_m_s(10.0, 10.0)
    np.testing.assert_allclose(weather_of(changed(change)).wind_2m_m_s, expected, rtol=1e-6)


def test_of_a_list_of_places_the_nearest_is_read() -> None:
    far = {**VALID, "latitude": 48.0, "longitude": 2.0, "location_id": 1}
    assert_same(weather_of(json.dumps([far, VALID]).encode()), weather_of(HARROW_FLATS_BODY))


def test_cloud_cover_stands_in_for_radiation_and_temperature_for_both() -> None:
    def without(body: dict[str, Any]) -> None:
        n = len(body["hourly"]["time"])
        body["hourly"]["shortwave_radiation"] = [None] * n
        body["hourly_units"]["shortwave_radiation"] = "undefined"

    def cloudy(body: dict[str, Any]) -> None:
        without(body)
        body["hourly_units"]["cloud_cover"] = "%"
        body["hourly"]["cloud_cover"] = [100] * len(body["hourly"]["time"])

    def clear(body: dict[str, Any]) -> None:
        cloudy(body)
        body["hourly"]["cloud_cover"] = [0] * len(body["hourly"]["time"])

    by_temperature, overcast, sunny = (weather_of(changed(change)) for change in (without, cloudy, clear))
    assert any("range of temperature" in note for note in english(by_temperature.notes))
    assert any("cloud cover" in note for note in english(overcast.notes))
    # Kasten and Czeplak 1980: an overcast sky leaves 1 - 0.75 of the clear one.
    np.testing.assert_allclose(overcast.shortwave_w_m2, 0.25 * sunny.shortwave_w_m2, atol=1e-9)
    assert 300.0 < by_temperature.shortwave_w_m2.max() < 1000.0


def test_the_request_asks_in_gmt_and_seconds_and_keeps_the_key_out_of_the_address() -> None:
    sites = (HARROW_FLATS, small_site(latitude_deg=-34.76274, longitude_deg=138.64557))
    free = SERVICE.request(sites, MORNING_UTC, None, None, "ops@example.org")
    assert free.url == "https://api.open-meteo.com/v1/forecast"
    assert free.params["latitude"] == "42.1370,-34.7627"
    assert (free.params["timezone"], free.params["timeformat"]) == ("GMT", "unixtime")
    assert free.params["hourly"].split(",") == [name for name in VALID["hourly_units"] if name != "time"]
    assert free.headers == {}
    paid = SERVICE.request(sites, MORNING_UTC, None, "s3cret", "ops@example.org")
    assert paid.url == "https://customer-api.open-meteo.com/v1/forecast"
    assert paid.headers == {"X-Api-Key": "s3cret"}
    assert "s3cret" not in repr(paid)
    assert "s3cret" not in str(paid.params)
    own = SERVICE.request(sites, MORNING_UTC, "http://127.0.0.1:8080/v1/forecast", None, "")
    assert own.url == "http://127.0.0.1:8080/v1/forecast"


def test_an_error_body_with_status_200_is_no_forecast() -> None:
    with pytest.raises(WeatherError, match="Daily API request limit exceeded"):
        SERVICE.parse(
            b'{"error":true,"reason":"Daily API request limit exceeded. Please try again tomorrow."}', HARROW_FLATS
        )


def test_an_error_that_is_appended_midway_is_a_fault_of_the_way() -> None:
    broken = HARROW_FLATS_BODY[: len(HARROW_FLATS_BODY) // 2] + b"Unexpected error while streaming data: timeout"
    with pytest.raises(WeatherError) as fault:
        SERVICE.parse(broken, HARROW_FLATS)
    assert fault.value.passing
