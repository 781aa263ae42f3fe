"""Forecasts made again: they look back only, learn from readings, and come out the same however they are computed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from backtest_builders import MEASURED, WHY_NOT, some_measured, without_the_future, write_folder

from gonogo.backtest import folder, forecast
from gonogo.backtest.forecast import HORIZON
from gonogo.backtest.hours import Hours, hours
from gonogo.backtest.run import COLUMNS, backtest
from gonogo.backtest.score import scores
from gonogo.config.settings import setting_rows
from gonogo.soil.classes import SOIL_CLASSES
from gonogo.soil.ground import SCORE_NAMES

measured = pytest.mark.skipif(not MEASURED.is_dir(), reason=WHY_NOT)
# One of each climate, wet and dry, with the longest season.
SOME = ("uscrn-03048", "uscrn-53974", "uscrn-53876", "uscrn-04138")


def rows(data: Path, tmp_path: Path, readings: str = "weekly", **changed: Any) -> pd.DataFrame:
    out = tmp_path / "predictions.csv"
    backtest(data, **({"layer": "0-150mm", "readings": readings, "out": out, "n_processes": 1} | changed))
    return pd.read_csv(out, dtype=str)


def begun(data: Path, readings: str, name: str = "made-0") -> tuple[folder.StationYear, Hours, forecast.Forecast]:
    known = folder.stations(data)
    station = folder.read(data / f"{name}_2020.csv", known[name], folder.LAYERS["0-150mm"])
    of = hours(station, 20)
    settings = {row_name: row.value for row_name, row in setting_rows().items()}
    return station, of, forecast.forecasts(station, of, readings, settings=settings)


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
    found = scores(backtest(data, layer="0-150mm", readings=readings, out=out, n_processes=1).rows)
    shares = found[found["group"] == "all"]["share"]
    assert len(shares) == 6
    assert shares.max() < 0.9


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


def test_the_same_reading_in_a_dry_season_is_of_a_finer_soil() -> None:
    """Dry weather leaves soil less of its field capacity: taken for drained sand, it would dry on."""
    dry, between, wet = (forecast.nearest_class(0.12, wetness) for wetness in (0.0, 0.5, 1.0))
    held = [SOIL_CLASSES[name].theta_fc for name in (dry, between, wet)]
    assert held[0] > held[1] > held[2]
    assert wet == "sand"


def test_earlier_readings_teach(tmp_path: Path) -> None:
    data = write_folder(tmp_path / "data")
    (station, _, first), (_, _, weekly) = (begun(data, mode) for mode in ("first", "weekly"))
    truth = station.theta[first.day[:, None] + np.arange(1, HORIZON + 1)]
    assert np.abs(weekly.mean - truth)[9:].mean() < np.abs(first.mean - truth)[9:].mean()
    assert station.readings.size == 30


def test_gaps_in_the_weather_are_marked(tmp_path: Path) -> None:
    data = write_folder(tmp_path / "data")
    path = data / "made-0_2020.csv"
    table = pd.read_csv(path)
    table.loc[100:103, ["air_temp_max_c", "air_temp_min_c"]] = np.nan
    table.to_csv(path, index=False)
    _, _, told = begun(data, "first")
    marked = told.gap_days > 0
    assert marked.any()
    assert np.all((told.day[marked] >= 90) & (told.day[marked] <= 103))


@pytest.mark.parametrize("mode", forecast.READINGS)
def test_the_band_keeps_its_order_and_widens_with_the_days(tmp_path: Path, mode: str) -> None:
    _, _, told = begun(write_folder(tmp_path / "data"), mode)
    assert np.all((told.p10 <= told.mean) & (told.mean <= told.p90) & (told.p10 >= 0.0))
    width = (told.p90 - told.p10).mean(axis=0)
    assert width[0] < width[4] < width[9]


@pytest.mark.parametrize("ground", SCORE_NAMES)
def test_a_morning_makes_every_forecast(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ground: str) -> None:
    """One model: what judges a morning's strips is what is proven here, called as a morning calls it."""
    from gonogo.decide import judge
    from gonogo.moisture import simulate

    calls: list[str] = []

    def counted(site: Any, **known: Any) -> Any:
        calls.append(site.strips[0].ground)
        return simulate.simulate(site, **known)

    assert judge.simulate is simulate.simulate is forecast.simulate
    monkeypatch.setattr(forecast, "simulate", counted)
    data = write_folder(tmp_path / "data", n_stations=1)
    told = rows(data, tmp_path, "first", ground=ground)
    assert set(calls) == {ground}
    assert len(calls) * HORIZON == len(told)
