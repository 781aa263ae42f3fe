"""Every check is seen to pass, to repair and to reject."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from bodies import HARROW_FLATS_BODY, MORNING_UTC, VALID, changed, weather_of
from notes import english

from gonogo.errors import WeatherError
from gonogo.weather.checks import CHECKS, distance_km

Change = Callable[[dict[str, Any]], Any]
NOW = VALID["hourly"]["time"].index(int(MORNING_UTC.timestamp()))
CLEAN = weather_of(HARROW_FLATS_BODY)


def everywhere(body: dict[str, Any], at: slice, value: object, *names: str) -> None:
    """Set a stretch of some columns (of all but time where none is named)."""
    for name in names or [name for name in body["hourly"] if name != "time"]:
        values = body["hourly"][name]
        values[at] = [value] * len(values[at])


def setting(name: str, at: int | slice, value: object) -> Change:
    """Return the change of one column."""
    stretch = at if isinstance(at, slice) else slice(at, at + 1)
    return lambda body: everywhere(body, stretch, value, name)


def reversed_hours(body: dict[str, Any]) -> None:
    body["hourly"] = {name: values[::-1] for name, values in body["hourly"].items()}


def repeated_hour(body: dict[str, Any]) -> None:
    for values in body["hourly"].values():
        values.insert(NOW, values[NOW])


def contradicting_hour(body: dict[str, Any]) -> None:
    repeated_hour(body)
    body["hourly"]["temperature_2m"][NOW] += 5.0


def missing_hours(n_hours: int) -> Change:
    def change(body: dict[str, Any]) -> None:
        for values in body["hourly"].values():
            del values[NOW + 10 : NOW + 10 + n_hours]

    return change


def many_short_gaps(body: dict[str, Any]) -> None:
    everywhere(body, slice(20, 600, 10), None, "temperature_2m")


def shifted_sun(body: dict[str, Any]) -> None:
    light = body["hourly"]["shortwave_radiation"]
    body["hourly"]["shortwave_radiation"] = light[9:] + light[:9]


def unit(name: str, text: object) -> Change:
    return lambda body: body["hourly_units"].__setitem__(name, text)


def top(name: str, value: object) -> Change:
    return lambda body: body.__setitem__(name, value)


def clock(hours: int) -> Change:
    def change(body: dict[str, Any]) -> None:
        body["hourly"]["time"] = [stamp + 3600 * hours for stamp in body["hourly"]["time"]]
        body["hourly"]["shortwave_radiation"] = [None] * len(body["hourly"]["time"])

    return change


def half_hours(body: dict[str, Any]) -> None:
    body["hourly"]["time"] = [stamp + 1800 for stamp in body["hourly"]["time"]]


def shorter(name: str) -> Change:
    return lambda body: body["hourly"][name].pop() and None


REJECTED: dict[str, tuple[Change, str]] = {
    "another place": (top("latitude", 42.6), "52 km from the site|51 km from the site"),
    "no place": (top("longitude", None), "no coordinate"),
    "place as text": (top("latitude", "42.1"), "no coordinate"),
    "off the full hour": (half_hours, "not a full hour"),
    "contradicting duplicate": (contradicting_hour, "one hour .* has two values"),
    "rain below zero": (setting("precipitation", NOW, -1.0), "precip_mm = -1 mm"),
    "impossible rain": (setting("precipitation", NOW, 301.0), "precip_mm = 301 mm"),
    "endless rain": (setting("precipitation", NOW, float("inf")), "precip_mm = inf"),
    "kelvin": (setting("temperature_2m", slice(None), 290.0), "temp_degc = 290"),
    "radiation well below zero": (setting("shortwave_radiation", NOW, -9.0), "shortwave_w_m2"),
    "hurricane": (setting("wind_speed_10m", NOW, 120.0), "wind_2m_m_s"),
    "pascal": (setting("surface_pressure", slice(None), 97000.0), "pressure_kpa"),
    "four hours missing": (missing_hours(4), "4 hours in a row|5 hours in a row"),
    "four nulls": (setting("temperature_2m", slice(NOW, NOW + 4), None), "4 hours in a row are missing"),
    "many short gaps": (many_short_gaps, "more than 5 %"),
    "no temperature": (setting("temperature_2m", slice(None), None), "temp_degc = nothing"),
    "no rain": (lambda body: body["hourly"].pop("precipitation") and None, "precip_mm = nothing"),
    "a model that ended yesterday": (lambda body: everywhere(body, slice(NOW - 20, None), None), "does not reach"),
    "a model that ends tonight": (lambda body: everywhere(body, slice(NOW + 14, None), None), "does not reach"),
    "a body of next month": (clock(31 * 24), "does not reach"),
    "a body of last month": (clock(-31 * 24), "does not reach"),
    "sun at night": (shifted_sun, "the sun is down"),
    "unknown unit": (unit("temperature_2m", "K"), "'K'.*not known"),
    "no unit": (unit("precipitation", None), "'None'.*not known"),
    "unknown form of time": (unit("time", "rfc3339"), "'rfc3339'"),
    "milliseconds": (lambda body: body["hourly"].update(time=[s * 1000 for s in body["hourly"]["time"]]), "seconds"),
    "unequal arrays": (shorter("temperature_2m"), "there are 648 times"),
    "no times": (lambda body: body["hourly"].update(time=[]), "no times"),
    "times as text": (lambda body: body["hourly"].update(time=[str(s) for s in body["hourly"]["time"]]), "seconds"),
    "numbers as text": (setting("precipitation", NOW, "1.0"), "no number"),
    "true for one": (setting("precipitation", NOW, True), "no number"),
    "an array in an array": (setting("precipitation", NOW, [1.0]), "no number"),
    "a number of 400 digits": (setting("precipitation", NOW, 10**400), "no number"),
    "no hourly table": (lambda body: body.pop("hourly") and None, "no hourly table"),
    "a list of nothing": (lambda _: [], "empty"),
    "a list of text": (lambda _: ["sunny"], "no forecast"),
    "a number": (lambda _: 12, "no forecast"),
}

REPAIRED: dict[str, tuple[Change, str]] = {
    "out of order": (reversed_hours, "out of order"),
    "repeated hour": (repeated_hour, "1 hour came twice"),
    "three hours missing": (missing_hours(3), "missing hours .* were filled"),
    "two nulls": (setting("temperature_2m", slice(NOW, NOW + 2), None), "2 missing hours .*filled"),
    "NaN as text": (setting("temperature_2m", slice(NOW, NOW + 2), "NaN"), "2 missing hours .*filled"),
    "small negative light": (setting("shortwave_radiation", NOW - 5, -0.2), "Radiation: 1 value just beyond"),
    "humidity of 101": (setting("relative_humidity_2m", NOW, 101.0), "Humidity: 1 value just beyond"),
    "a chance of 130": (setting("precipitation_probability", NOW, 130), "Chance of rain was left out: 1 value"),
    "an unknown code": (unit("weather_code", "emoji"), "Weather_code was left out: its unit 'emoji'"),
    "no pressure": (setting("surface_pressure", slice(None), None), "pressure was taken from the site's elevation"),
    "a model that ends in 60 h": (
        lambda body: everywhere(body, slice(NOW + 60, None), None),
        r"the forecast ends Thu 14 May 15:00",
    ),
    "a model that begins late": (lambda body: everywhere(body, slice(0, 48), None), r"is known from Tue 28 Apr 19:00"),
    "two days back only": (lambda body: everywhere(body, slice(0, NOW - 48), None), "Rain before Sun 10 May 05:00"),
}


@pytest.mark.parametrize("name", REJECTED)
def test_a_fault_that_cannot_be_repaired_rejects(name: str) -> None:
    change, told = REJECTED[name]
    with pytest.raises(WeatherError, match=told) as fault:
        weather_of(changed(change))
    assert str(fault.value).startswith("open_meteo: ")
    assert not fault.value.passing


@pytest.mark.parametrize("name", REPAIRED)
def test_a_fault_that_can_be_repaired_is_told(name: str) -> None:
    change, told = REPAIRED[name]
    weather = weather_of(changed(change))
    assert any(re.search(told, note) for note in english(weather.notes)), weather.notes
    assert (np.diff(weather.hour_utc) == np.timedelta64(1, "h")).all()
    for values in (weather.temp_degc, weather.rh_pct, weather.shortwave_w_m2, weather.rain_mm, weather.pressure_kpa):
        assert np.isfinite(values).all()


def test_a_sound_body_needs_no_repair() -> None:
    assert CLEAN.notes == ()


def test_sorting_and_dropping_repeats_gives_the_weather_of_the_sound_body() -> None:
    for change in (reversed_hours, repeated_hour):
        weather = weather_of(changed(change))
        for name in ("temp_degc", "rain_mm", "shortwave_w_m2", "rain_members_mm"):
            assert (getattr(weather, name) == getattr(CLEAN, name)).all()


def test_a_short_gap_is_filled_in_a_straight_line() -> None:
    def change(body: dict[str, Any]) -> None:
        temperature = body["hourly"]["temperature_2m"]
        temperature[NOW - 1 : NOW + 3] = [10.0, None, None, 16.0]

    weather = weather_of(changed(change))
    assert weather.temp_degc[NOW : NOW + 2] == pytest.approx([12.0, 14.0])


def test_a_cut_tail_leaves_the_hours_before_as_they_were() -> None:
    weather = weather_of(changed(lambda body: everywhere(body, slice(NOW + 60, None), None)))
    assert (weather.rain_mm == CLEAN.rain_mm[: len(weather.rain_mm)]).all()
    assert weather.hour_utc[-1] == np.datetime64((MORNING_UTC + timedelta(hours=58)).replace(tzinfo=None), "h")


def test_no_json_is_a_fault_of_the_way_and_may_pass() -> None:
    for body in (
        b"",
        b"<html><body>502 Bad Gateway</body></html>",
        HARROW_FLATS_BODY[:-100],
        b"\xff\xfe",
        b"[" * 100_000,
    ):
        with pytest.raises(WeatherError, match="no whole JSON") as fault:
            weather_of(body)
        assert fault.value.passing


def test_every_row_of_the_table_says_what_it_does() -> None:
    assert len({check.id for check in CHECKS}) == len(CHECKS)
    assert all(check.looks_for and check.then for check in CHECKS)


def test_distance_of_two_known_places() -> None:
    # One degree of latitude on a sphere of 6371 km is 111.19 km; a quarter of the equator 10 007.5 km.
    assert distance_km(42.0, -94.0, 43.0, -94.0) == pytest.approx(111.19, abs=0.01)
    assert distance_km(0.0, 0.0, 0.0, 90.0) == pytest.approx(10007.5, abs=0.1)
    assert distance_km(0.0, 179.9, 0.0, -179.9) == pytest.approx(22.24, abs=0.01)


def test_snow_and_rain_of_an_hour_make_up_what_falls() -> None:
    body = changed(
        lambda b: (
            everywhere(b, slice(NOW - 5, NOW + 1), 2.0, "precipitation")
            or everywhere(b, slice(NOW - 5, NOW + 1), 0.7, "snowfall")
            or everywhere(b, slice(NOW - 5, NOW + 1), 68, "weather_code")
            or everywhere(b, slice(NOW - 7, NOW + 3), 1.0, "temperature_2m", "dew_point_2m")
            or everywhere(b, slice(NOW - 7, NOW + 3), 100, "relative_humidity_2m")
        )
    )
    weather = weather_of(body)
    assert weather.snow_mm[NOW - 6 : NOW] == pytest.approx(1.0)
    assert weather.rain_mm[NOW - 6 : NOW] == pytest.approx(1.0)


@pytest.mark.parametrize(("temp_degc", "falls_as_snow"), [(-0.1, True), (0.0, True), (0.1, False), (3.0, False)])
def test_where_a_service_says_nothing_of_snow_it_falls_from_freezing_down(
    temp_degc: float, falls_as_snow: bool
) -> None:
    def change(body: dict[str, Any]) -> None:
        body["hourly"].pop("snowfall")
        everywhere(body, slice(None), None, "weather_code", "dew_point_2m")
        everywhere(body, slice(NOW - 5, NOW + 1), temp_degc, "temperature_2m")
        everywhere(body, slice(NOW - 5, NOW + 1), 2.0, "precipitation")

    weather = weather_of(changed(change))
    assert weather.snow_mm[NOW - 5 : NOW] == pytest.approx(2.0 if falls_as_snow else 0.0)


def test_a_gap_of_three_hours_is_filled_and_one_of_four_rejects() -> None:
    assert weather_of(changed(setting("temperature_2m", slice(NOW, NOW + 3), None))).notes
    with pytest.raises(WeatherError, match="4 hours in a row"):
        weather_of(changed(setting("temperature_2m", slice(NOW, NOW + 4), None)))
