"""Forecasts made again: they look back only, learn from readings, and come out the same however they are computed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from backtest_builders import MEASURED, WHY_NOT, some_measured, without_the_future, write_folder

from gonogo.backtest import daily, folder, forecast, population
from gonogo.backtest.run import COLUMNS, backtest
from gonogo.backtest.starts import HORIZON, Starts, starts
from gonogo.errors import SoilError

measured = pytest.mark.skipif(not MEASURED.is_dir(), reason=WHY_NOT)
# One of each climate, wet and dry, with the longest season.
SOME = ("uscrn-03048", "uscrn-53974", "uscrn-53876", "uscrn-04138")


def rows(data: Path, tmp_path: Path, readings: str = "weekly", **changed: Any) -> pd.DataFrame:
    out = tmp_path / "predictions.csv"
    backtest(data, **({"layer": "0-150mm", "readings": readings, "out": out, "n_processes": 1} | changed))
    return pd.read_csv(out, dtype=str)


def begun(data: Path, name: str = "made-0") -> tuple[folder.StationYear, daily.Days, Starts]:
    known = folder.stations(data)
    one = folder.read(data / f"{name}_2020.csv", known[name], folder.LAYERS["0-150mm"])
    weather = daily.days(one)
    return one, weather, starts(one, weather)


@pytest.mark.parametrize("readings", forecast.READINGS)
@pytest.mark.parametrize("is_masked", [False, True])
def test_taking_the_future_away_changes_no_digit(tmp_path: Path, readings: str, is_masked: bool) -> None:
    data = write_folder(tmp_path / "whole", is_masked=is_masked)
    whole = rows(data, tmp_path, readings)
    dates = sorted(set(whole["issued"]))
    for issued in (dates[1], dates[len(dates) // 2], dates[-1]):
        cut = without_the_future(data, tmp_path / issued, issued)
        seen, then = rows(cut, tmp_path, readings), whole[whole["issued"] == issued]
        assert len(then) == 2 * HORIZON
        assert seen[seen["issued"] == issued].to_numpy().tolist() == then.to_numpy().tolist()


@measured
def test_taking_the_future_of_measured_stations_away_changes_no_digit(tmp_path: Path) -> None:
    data = some_measured(tmp_path / "whole", SOME[:2])
    whole = rows(data, tmp_path)
    issued = sorted(set(whole["issued"]))[len(set(whole["issued"])) // 2]
    seen = rows(without_the_future(data, tmp_path / "cut", issued), tmp_path)
    then = whole[whole["issued"] == issued]
    assert len(then) >= HORIZON
    assert seen[seen["issued"] == issued].to_numpy().tolist() == then.to_numpy().tolist()


@measured
@pytest.mark.parametrize("readings", forecast.READINGS)
def test_on_measured_soil_the_forecast_beats_no_change(tmp_path: Path, readings: str) -> None:
    """A handful of stations for every day; the whole open half is scored in tests/benchmarks/test_backtest.py."""
    data = some_measured(tmp_path / "some", SOME)
    out = tmp_path / "predictions.csv"
    said = backtest(data, layer="0-150mm", readings=readings, out=out, n_processes=1)
    shares = [float(line.split()[5]) for line in said.splitlines() if line.startswith("all ")]
    assert len(shares) == 6
    assert max(shares) < 0.9


def test_as_many_processes_as_there_are_give_the_same_bytes(tmp_path: Path) -> None:
    data = write_folder(tmp_path / "data")
    named: list[str] = []
    files = [tmp_path / "alone.csv", tmp_path / "together.csv"]
    for out, n in zip(files, (1, 2), strict=True):
        backtest(data, layer="5cm", readings="weekly", out=out, n_processes=n, say=named.append)
    assert files[0].read_bytes() == files[1].read_bytes()
    assert sorted(named) == ["made-0", "made-0", "made-1", "made-1"]


def test_a_daily_record_is_read_every_seventh_day_and_forecast_like_a_masked_one(tmp_path: Path) -> None:
    open_rows = rows(write_folder(tmp_path / "open"), tmp_path)
    masked_rows = rows(write_folder(tmp_path / "masked", is_masked=True), tmp_path)
    assert open_rows.to_numpy().tolist() == masked_rows.to_numpy().tolist()
    assert tuple(open_rows.columns) == COLUMNS


def test_the_first_reading_alone_knows_of_no_other(tmp_path: Path) -> None:
    data = write_folder(tmp_path / "data", is_masked=True)
    before = rows(data, tmp_path, "first")
    table = pd.read_csv(data / "made-0_2020.csv")
    table.loc[70, [c for c in table.columns if c.startswith("soil_moisture")]] *= 1.3
    table.to_csv(data / "made-0_2020.csv", index=False)
    after = rows(data, tmp_path, "first")
    changed = set(before["issued"][(before != after).any(axis=1)])
    assert changed == {table["date_local_standard"][70]}


def test_earlier_readings_teach_and_do_not_collapse_the_band(tmp_path: Path) -> None:
    data = write_folder(tmp_path / "data")
    one, _, of = begun(data)
    table = population.shipped()
    first, weekly = (forecast.moments(of, table, mode) for mode in ("first", "weekly"))
    error = {name: np.abs(m[0].T - of.measured)[9:].mean() for name, m in (("first", first), ("weekly", weekly))}
    assert error["weekly"] < error["first"]
    narrowed = np.sqrt(weekly[1][:, -1] / first[1][:, -1])
    assert np.all((narrowed > 0.05) & (narrowed <= 1.0 + 1e-9))
    assert one.readings.size == 30


def test_gaps_in_the_weather_are_filled_from_before_and_marked(tmp_path: Path) -> None:
    data = write_folder(tmp_path / "data")
    path = data / "made-0_2020.csv"
    table = pd.read_csv(path)
    table.loc[100:103, ["air_temp_max_c", "air_temp_min_c"]] = np.nan
    table.to_csv(path, index=False)
    _, weather, of = begun(data)
    assert np.flatnonzero(weather.is_gap).tolist() == [100, 101, 102, 103]
    assert weather.temp_degc[100:104] == pytest.approx(weather.temp_degc[99])
    marked = of.gap_days > 0
    assert marked.any()
    assert np.all((of.day[marked] >= 90) & (of.day[marked] <= 103))
    table.loc[104:, "air_temp_max_c"] += 5.0
    table.to_csv(path, index=False)
    assert np.all(begun(data)[1].et0_mm[:104] == weather.et0_mm[:104])


def test_a_gap_before_the_first_value_is_filled_with_what_the_table_says() -> None:
    series = np.array([np.nan, np.nan, 4.0, np.nan, 6.0])
    assert daily.carried(series, 9.0).tolist() == [9.0, 9.0, 4.0, 4.0, 6.0]


def test_snow_wets_the_ground_when_it_melts(tmp_path: Path) -> None:
    data = write_folder(tmp_path / "data")
    path = data / "made-0_2020.csv"
    table = pd.read_csv(path)
    table["precip_mm"] = 0.0
    table.loc[10, "precip_mm"] = 9.0
    table.loc[9:12, "air_temp_max_c"], table.loc[9:12, "air_temp_min_c"] = -2.0, -8.0
    table.loc[13:, "air_temp_max_c"], table.loc[13:, "air_temp_min_c"] = 4.0, 0.0
    table.to_csv(path, index=False)
    water = begun(data)[1].water_mm
    assert water[:13].sum() == 0.0
    assert water[13:15] == pytest.approx([2.0 * 2.74, 9.0 - 2.0 * 2.74])


def test_members_lie_between_dry_and_full_and_dry_when_nothing_falls(tmp_path: Path) -> None:
    _, _, of = begun(write_folder(tmp_path / "data"))
    table = population.shipped()
    drawn = population.members(table, of, deviations=table.deviations(20))
    assert drawn.shape == (HORIZON, len(of), 20)
    assert np.all((drawn > 0.0) & (drawn < population.FULLEST))
    dry = Starts(**{n: getattr(of, n) for n in Starts.__slots__} | {"water_mm": np.zeros_like(of.water_mm)})
    assert np.all(np.diff(population.members(table, dry), axis=0) <= 1e-12)


def test_the_shipped_table_says_what_it_was_fitted_on_and_that_it_may_travel() -> None:
    source = population.shipped().source
    assert "U.S. Climate Reference Network" in source
    assert "public domain" in source
    assert "fit_population.py" in source


def test_a_table_fitted_for_other_names_is_refused() -> None:
    import importlib.resources
    import json

    text = importlib.resources.files("gonogo.backtest").joinpath("population.json").read_text(encoding="utf-8")
    assert population.parsed(text).beta.size == len(population.COEFFICIENTS)
    row = json.loads(text)
    row["parameters"] = row["parameters"][::-1]
    with pytest.raises(SoilError, match="not this program's"):
        population.parsed(json.dumps(row))


def test_the_band_keeps_its_order_and_widens_with_the_days(tmp_path: Path) -> None:
    _, _, of = begun(write_folder(tmp_path / "data"))
    for mode in forecast.READINGS:
        told = forecast.forecasts(of, population.shipped(), mode)
        assert np.all((told.p10 <= told.mean) & (told.mean <= told.p90) & (told.p10 >= 0.0))
        width = (told.p90 - told.p10).mean(axis=1)
        assert width[0] < width[4] < width[9]
