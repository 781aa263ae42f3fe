"""Real recorded answers of the services, where they are at hand; they are not part of this repository."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import numpy as np
import pytest
from bodies import recorded, row, weather_of
from sites import small_site

from gonogo.errors import WeatherError
from gonogo.records.site import Site
from gonogo.weather.series import HourlyWeather
from gonogo.weather.services.nws import follow

KONSTANZ = small_site(latitude_deg=47.6952, longitude_deg=9.1307, elevation_m=431.0)
NEW_YORK = small_site(latitude_deg=40.63, longitude_deg=-74.43, elevation_m=93.0)
TORONTO = small_site(latitude_deg=43.7, longitude_deg=-79.4, elevation_m=165.0)
LONDON = small_site(latitude_deg=51.5, longitude_deg=-0.1, elevation_m=25.0)
TALLAHASSEE = small_site(latitude_deg=30.02, longitude_deg=-84.98, elevation_m=4.0)
ADELAIDE = small_site(latitude_deg=-34.76, longitude_deg=138.65, elevation_m=12.0)
SAVANNAH = small_site(latitude_deg=32.09, longitude_deg=-81.09, elevation_m=22.0)


def told(name: str, site: Site, now_utc: datetime) -> HourlyWeather:
    """Return the weather of a recorded body at a moment."""
    return weather_of(recorded(name), site=site, now_utc=now_utc)


def test_konstanz_is_cut_where_its_model_ends_and_its_light_comes_from_clouds() -> None:
    weather = told("openmeteo_forecast_konstanz_icond2_2025-08-07.json", KONSTANZ, datetime(2025, 8, 7, 6, tzinfo=UTC))
    # 60 filled stamps from 00:00 at +02:00; the last one only ends an hour.
    assert weather.hour_utc[0] == np.datetime64("2025-08-06T22", "h")
    assert len(weather.hour_utc) == 59
    assert np.isnan(weather.rain_chance).all()
    assert weather.rain_mm.sum() == 0.0
    assert weather.shortwave_w_m2.max() > 500.0
    assert any("came without values" in note for note in weather.notes)
    assert any("cloud cover" in note for note in weather.notes)


def test_new_york_in_winter_keeps_snow_apart_from_rain() -> None:
    now_utc = datetime(2025, 12, 28, 23, tzinfo=UTC)
    weather = told("openmeteo_forecast_newyork_14d_2025-12-28.json", NEW_YORK, now_utc)
    assert len(weather.hour_utc) == 335
    assert weather.snow_mm.sum() > 0.0
    # 26.7 mm in all by the sum of its column; the least amounts of its chances come on top.
    assert 26.0 < weather.rain_mm.sum() + weather.snow_mm.sum() < 32.0


def test_toronto_is_refused_because_nobody_asked_for_its_humidity() -> None:
    with pytest.raises(WeatherError, match="rh_pct = nothing"):
        told("openmeteo_forecast_toronto_dst_2026-03-05.json", TORONTO, datetime(2026, 3, 5, 12, tzinfo=UTC))


@pytest.mark.parametrize(
    ("name", "now_utc"),
    [
        ("openmeteo_forecast_adelaide_et0_2026-07-16.json", datetime(2026, 7, 16, 6, tzinfo=UTC)),
        ("openmeteo_archive_adelaide_et0_2025-01-10.json", datetime(2025, 1, 10, 6, tzinfo=UTC)),
    ],
)
def test_labels_half_an_hour_off_are_refused(name: str, now_utc: datetime) -> None:
    with pytest.raises(WeatherError, match=r"of a zone [+]9\.5 h from UTC do not say which full hour"):
        told(name, ADELAIDE, now_utc)


def test_savannah_has_its_rain_in_the_right_hour() -> None:
    now_utc = datetime(2026, 7, 21, 12, tzinfo=UTC)
    weather = told("openmeteo_archive_savannah_2026-07-21.json", SAVANNAH, now_utc)
    # Its greatest amount stands at one stamp; the row before it holds it.
    assert weather.rain_mm.max() == 2.4
    assert weather.wind_2m_m_s.max() == pytest.approx(20.0 / 3.6 * 0.748, abs=0.01)
    assert row(weather, now_utc) == 8


def test_the_members_of_konstanz_are_read_to_where_their_model_ends() -> None:
    name = "openmeteo_ensemble_konstanz_icond2_2025-08-07.json"
    now_utc = datetime(2025, 8, 7, 6, tzinfo=UTC)
    weather = weather_of(recorded(name), service="open_meteo_ensemble", site=KONSTANZ, now_utc=now_utc, n_members=20)
    assert len(weather.hour_utc) == 59
    assert weather.rain_members_mm.shape == (59, 20)
    assert not weather.rain_members_mm.any()  # a dry spell, all members agree
    assert not any("members" in note for note in weather.notes)


def test_london_of_met_norway_is_read_to_the_hour() -> None:
    body = json.dumps(json.loads(recorded("metno_complete_london_2020-07-20.json"))["data"]).encode()
    weather = weather_of(body, service="met_norway", site=LONDON, now_utc=datetime(2020, 7, 20, 11, 44, tzinfo=UTC))
    assert weather.hour_utc[0] == np.datetime64("2020-07-20T11", "h")
    assert weather.temp_degc[0] == 18.8
    # From 07-22 18:00 (23.3 degC) to 07-23 00:00 in one step; the last stamp, 07-29 06:00, only ends the table.
    change = row(weather, datetime(2020, 7, 22, 18, tzinfo=UTC))
    assert weather.temp_degc[change] == 23.3
    assert np.allclose(np.diff(weather.temp_degc[change : change + 7], 2), 0.0, atol=1e-9)
    assert weather.hour_utc[-1] == np.datetime64("2020-07-29T05", "h")
    assert weather.rain_mm.sum() == pytest.approx(2.5, abs=0.01)


def test_a_gridpoint_of_the_us_service_is_read_to_the_hour() -> None:
    now_utc = datetime(2022, 2, 4, 3, 15, tzinfo=UTC)
    body = recorded("nws_gridpoint_TAE_2022-02-03.json")
    weather = weather_of(body, service="nws", site=TALLAHASSEE, now_utc=now_utc)
    layers = json.loads(body)["properties"]
    ahead = [
        entry["value"]
        for entry in layers["quantitativePrecipitation"]["values"]
        if entry["validTime"] >= "2022-02-04T06:00:00"
    ]
    start = row(weather, datetime(2022, 2, 4, 6, tzinfo=UTC))
    # The amounts ahead; the least amounts of the chances come on top: 0.1 mm times the chance, once in 12 h at most.
    assert sum(ahead) <= weather.rain_mm[start:].sum() <= sum(ahead) + 0.1 * 13
    assert weather.hour_utc[-1] == np.datetime64("2022-02-10T11", "h")
    assert weather.thunder_chance[start] == pytest.approx(0.2)  # "isolated"
    assert np.isnan(weather.weather_code[start])


def test_a_place_of_the_us_service_leads_to_its_cell() -> None:
    assert follow(recorded("nws_points.json"), None).url == "https://api.weather.gov/gridpoints/TAE/58,65"


def test_errors_of_the_us_service_are_passing_faults() -> None:
    for error in json.loads(recorded("nws_errors.json")):
        with pytest.raises(WeatherError, match=r"^nws: ") as fault:
            weather_of(error["body"].encode(), service="nws", site=TALLAHASSEE)
        assert fault.value.passing


@pytest.mark.parametrize(
    "name",
    [
        "openmeteo_ensemble_konstanz_icond2_2025-08-07.json",
        "openmeteo_archive_two_locations_2025-06-15.json",
        "openmeteo_forecast_daily_past7_2026-09-24.json",
        "openmeteo_archive_berlin_hourly_soilmoisture.csv",
        "openmeteo_archive_rome_hourly_radiation.csv",
        "openmeteo_errors.json",
        "metno_complete_london_2020-07-20.json",
        "nws_gridpoint_TAE_2022-02-03.json",
        "nws_points.json",
        "nws_errors.json",
    ],
)
def test_no_other_recorded_body_is_taken_for_a_forecast_of_another_place(name: str) -> None:
    with pytest.raises(WeatherError, match=r"^open_meteo: "):
        told(name, TORONTO, datetime(2026, 3, 5, 12, tzinfo=UTC))
