"""States stand in the hour that begins at their stamp, sums in the hour that ends there."""

from __future__ import annotations

import numpy as np
import pytest

from gonogo.weather.table import COLUMNS, ESSENTIAL, hour_rows

STAMPS = np.array(["2026-05-12T05:00", "2026-05-12T06:00"], dtype="datetime64[s]")


def test_a_state_stands_in_the_hour_from_its_stamp_on_and_a_sum_in_the_hour_up_to_it() -> None:
    table = hour_rows(
        STAMPS, at_stamp={"temp_degc": np.array([10.0, 11.0])}, before_stamp={"precip_mm": np.array([0.5, 2.0])}
    ).set_index("hour_utc")
    assert table["temp_degc"].dropna().to_dict() == {
        np.datetime64("2026-05-12T05:00"): 10.0,
        np.datetime64("2026-05-12T06:00"): 11.0,
    }
    assert table["precip_mm"].dropna().to_dict() == {
        np.datetime64("2026-05-12T04:00"): 0.5,
        np.datetime64("2026-05-12T05:00"): 2.0,
    }


@pytest.mark.parametrize(
    ("name", "mistaken"),
    [
        ("temp_degc", 61.0),  # degrees Fahrenheit of a mild day
        ("temp_degc", 273.0),  # kelvin
        ("pressure_kpa", 990.0),  # hectopascal
        ("shortwave_w_m2", 1500.0),  # more than the sun gives
        ("rain_chance", 60.0),  # per cent
        ("wind_2m_m_s", 90.0),  # kilometres an hour in a gale
    ],
)
def test_a_value_in_another_unit_lies_outside_the_range(name: str, mistaken: float) -> None:
    assert mistaken > COLUMNS[name].high


@pytest.mark.parametrize(
    ("name", "usual"),
    [("temp_degc", 52.0), ("temp_degc", -45.0), ("pressure_kpa", 55.0), ("shortwave_w_m2", 1250.0), ("rh_pct", 3.0)],
)
def test_weather_that_occurs_lies_inside(name: str, usual: float) -> None:
    assert COLUMNS[name].low <= usual <= COLUMNS[name].high


def test_the_model_cannot_do_without_air_sun_wind_and_rain() -> None:
    assert set(ESSENTIAL) == {"temp_degc", "rh_pct", "wind_2m_m_s", "pressure_kpa", "shortwave_w_m2", "precip_mm"}
