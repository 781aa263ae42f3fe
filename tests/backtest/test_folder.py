"""What is wrong with a folder of stations is said with file, key and value."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from backtest_builders import write_folder

from gonogo.backtest import folder
from gonogo.backtest.report import text
from gonogo.backtest.run import backtest
from gonogo.errors import ConfigError


def spoiled(data: Path, column: str, row: int, value: object) -> Path:
    path = data / "made-0_2020.csv"
    table = pd.read_csv(path, dtype=str)
    table.loc[row, column] = value
    table.to_csv(path, index=False)
    return path


def run(data: Path, out: Path, layer: str = "0-150mm", readings: str = "weekly") -> str:
    return text(backtest(data, layer=layer, readings=readings, out=out, n_processes=1))


def test_a_right_folder_is_forecast_and_scored(tmp_path: Path) -> None:
    said = run(write_folder(tmp_path / "data"), tmp_path / "p.csv")
    assert said.startswith("58 forecasts from 2 stations, 580 rows")
    assert "no change" in said


def test_a_masked_folder_is_forecast_and_says_that_nothing_was_measured(tmp_path: Path) -> None:
    said = run(write_folder(tmp_path / "data", is_masked=True), tmp_path / "p.csv")
    assert "\nall " in said or "Nothing was measured" in said


@pytest.mark.parametrize(
    ("column", "value", "says"),
    [
        ("precip_mm", "wet", r"row 7.precip_mm = wet: not a number"),
        ("soil_moisture_5cm_m3_m3", "0,2", r"row 7.soil_moisture_5cm_m3_m3 = 0,2"),
        ("date_local_standard", "2020-01-01", "days are missing"),
        ("date_local_standard", "spring", "days are missing"),
    ],
)
def test_a_wrong_value_is_named_and_nothing_is_written(tmp_path: Path, column: str, value: str, says: str) -> None:
    data = write_folder(tmp_path / "data")
    spoiled(data, column, 5, value)
    with pytest.raises(ConfigError, match=says):
        run(data, tmp_path / "p.csv")
    assert not (tmp_path / "p.csv").exists()


def test_a_missing_column_is_named_with_what_is_needed(tmp_path: Path) -> None:
    data = write_folder(tmp_path / "data")
    path = data / "made-1_2020.csv"
    pd.read_csv(path).drop(columns=["solar_mj_m2", "rh_max_pct"]).to_csv(path, index=False)
    with pytest.raises(ConfigError) as refused:
        run(data, tmp_path / "p.csv")
    assert {c.key for c in refused.value.faults} == {"solar_mj_m2", "rh_max_pct"}


def test_files_without_the_probes_of_a_layer_are_left_out_and_a_folder_without_any_is_refused(tmp_path: Path) -> None:
    data = write_folder(tmp_path / "data")
    path = data / "made-1_2020.csv"
    pd.read_csv(path).drop(columns=["soil_moisture_10cm_m3_m3"]).to_csv(path, index=False)
    run(data, tmp_path / "p.csv")
    assert set(pd.read_csv(tmp_path / "p.csv")["station"]) == {"made-0"}
    with pytest.raises(ConfigError, match="no file has it"):
        run(data, tmp_path / "p.csv", layer="7.5cm")


def test_a_folder_without_stations_or_files_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"stations\.csv: file: cannot be read"):
        run(tmp_path, tmp_path / "p.csv")
    (tmp_path / "stations.csv").write_text("id,lat,elevation_m\nmade-9,40,10\n")
    with pytest.raises(ConfigError, match="no file of a station"):
        run(tmp_path, tmp_path / "p.csv")
    (tmp_path / "stations.csv").write_text("id,lat,elevation_m\nmade-9,north,10\n")
    with pytest.raises(ConfigError, match=r"made-9.lat = north"):
        run(tmp_path, tmp_path / "p.csv")


@pytest.mark.parametrize("changed", [{"layer": "10cm"}, {"readings": "daily"}], ids=str)
def test_an_unknown_choice_is_refused(tmp_path: Path, changed: dict[str, str]) -> None:
    data = write_folder(tmp_path / "data")
    with pytest.raises(ConfigError, match="Write one of"):
        run(data, tmp_path / "p.csv", **changed)
    with pytest.raises(ConfigError, match="no such folder"):
        run(data, tmp_path / "nowhere" / "p.csv")


def test_a_station_year_without_a_reading_has_no_start(tmp_path: Path) -> None:
    data = write_folder(tmp_path / "data", n_stations=1)
    path = data / "made-0_2020.csv"
    table = pd.read_csv(path)
    table[[c for c in table.columns if c.startswith("soil_moisture")]] = float("nan")
    table.to_csv(path, index=False)
    assert run(data, tmp_path / "p.csv").startswith("0 forecasts")
    assert folder.read(path, folder.stations(data)["made-0"], folder.LAYERS["5cm"]).readings.size == 0
