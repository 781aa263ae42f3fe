"""Hours made from days: what the day had, the hours have, and no day knows of what comes after the last."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from backtest_builders import write_folder

from gonogo.backtest import folder
from gonogo.backtest.folder import StationYear
from gonogo.backtest.hours import DAY, TIMING, carried, day_rain, hours
from gonogo.errors import ConfigError


def read(data: Path) -> StationYear:
    known = folder.stations(data)
    return folder.read(data / "made-0_2020.csv", known["made-0"], folder.LAYERS["0-150mm"])


def by_day(series: np.ndarray) -> np.ndarray:
    return series.reshape(-1, DAY)


def test_hours_have_the_extremes_and_the_totals_of_their_day(tmp_path: Path) -> None:
    station = read(write_folder(tmp_path / "data"))
    made = hours(station, 20).weather
    assert by_day(made.temp_degc).max(axis=1) == pytest.approx(station.weather["air_temp_max_c"], abs=0.4)
    # A day's coldest hour may belong to the night after it, which falls to the next day's least.
    coldest = by_day(made.temp_degc)[1:, 3:7].min(axis=1)
    assert coldest == pytest.approx(station.weather["air_temp_min_c"][1:], abs=0.6)
    assert by_day(made.shortwave_w_m2).sum(axis=1) * 0.0036 == pytest.approx(station.weather["solar_mj_m2"])
    members = made.rain_members_mm.reshape(-1, DAY, 20).sum(axis=1)
    assert members + by_day(made.snow_mm).sum(axis=1)[:, None] == pytest.approx(
        np.repeat(station.weather["precip_mm"][:, None], 20, axis=1)
    )
    assert made.rain_mm == pytest.approx(made.rain_members_mm.mean(axis=1))
    assert np.all((made.rh_pct > 0.0) & (made.rh_pct <= 100.0))


def test_the_sun_of_a_day_stands_highest_at_noon_of_its_own_place(tmp_path: Path) -> None:
    made = hours(read(write_folder(tmp_path / "data")), 2).weather
    assert set(np.argmax(by_day(made.shortwave_w_m2), axis=1)) <= {11, 12}


def test_members_differ_in_when_it_rained(tmp_path: Path) -> None:
    members = hours(read(write_folder(tmp_path / "data")), 20).weather.rain_members_mm.reshape(-1, DAY, 20)
    wet = members.sum(axis=(1, 2)) > 0.0
    morning = members[wet, :12].sum(axis=1) / members[wet].sum(axis=1)
    assert morning.std(axis=1).mean() > 0.1


def test_what_follows_the_last_day_changes_nothing(tmp_path: Path) -> None:
    station = read(write_folder(tmp_path / "data"))
    short = replace(
        station,
        day=station.day[:100],
        weather={name: values[:100] for name, values in station.weather.items()},
        theta=station.theta[:100],
    )
    whole, cut = hours(station, 8).between(24 * 60 + 12, 99), hours(short, 8).between(24 * 60 + 12, 99)
    for name in ("temp_degc", "rh_pct", "shortwave_w_m2", "rain_members_mm", "melt_mm", "wind_2m_m_s"):
        assert np.array_equal(getattr(whole, name), getattr(cut, name)), name


def test_snow_wets_the_ground_when_it_melts(tmp_path: Path) -> None:
    data = write_folder(tmp_path / "data")
    path = data / "made-0_2020.csv"
    table = pd.read_csv(path)
    table["precip_mm"] = 0.0
    table.loc[10, "precip_mm"] = 9.0
    table.loc[9:12, "air_temp_max_c"], table.loc[9:12, "air_temp_min_c"] = -2.0, -8.0
    table.loc[13:, "air_temp_max_c"], table.loc[13:, "air_temp_min_c"] = 4.0, 0.0
    table.to_csv(path, index=False)
    made = hours(read(data), 2).weather
    water = by_day(made.melt_mm + made.rain_mm).sum(axis=1)
    assert water[:13].sum() == 0.0
    assert water[13:15] == pytest.approx([2.0 * 2.74, 9.0 - 2.0 * 2.74])


def test_measured_hours_are_taken_as_they_are_and_gaps_hold_the_hour_before(tmp_path: Path) -> None:
    data = write_folder(tmp_path / "data")
    station = read(data)
    n = DAY * len(station.day)
    at = folder.first_hour(station.day, station.station) + np.arange(n).astype("timedelta64[h]")
    table = pd.DataFrame(
        {
            "time_utc": [f"{t}:00Z" for t in at.astype("datetime64[m]").astype("datetime64[h]").astype(str)],
            "temp_degc": 12.0 + np.arange(n) % 7, "rh_pct": 60.0, "wind_2m_m_s": 2.0, "shortwave_w_m2": 100.0,
            "precip_mm": (np.arange(n) % 50 == 0) * 3.0,
        }
    )  # fmt: skip
    (data / "hourly").mkdir()
    table.drop(index=[30, 31]).to_csv(data / "hourly" / "made-0_2020.csv", index=False)
    made = hours(read(data), 4).weather
    assert made.temp_degc[30:32] == pytest.approx(made.temp_degc[29])
    kept = np.r_[0:30, 32:n]
    assert made.temp_degc[kept] == pytest.approx(table["temp_degc"].to_numpy()[kept])
    assert np.all(made.rain_members_mm == made.rain_mm[:, None])
    table.iloc[::-1].to_csv(data / "hourly" / "made-0_2020.csv", index=False)
    with pytest.raises(ConfigError, match="out of order"):
        read(data)


def test_a_gap_before_the_first_value_is_filled_with_what_the_table_says() -> None:
    series = np.array([np.nan, np.nan, 4.0, np.nan, 6.0])
    assert carried(series, 9.0).tolist() == [9.0, 9.0, 4.0, 4.0, 6.0]


def test_the_table_of_rain_knows_every_term() -> None:
    assert len(day_rain().coefficients) == len(TIMING)
    assert np.isfinite(day_rain().coefficients).all()
