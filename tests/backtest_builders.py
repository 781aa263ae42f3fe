"""Folders of stations for tests of the backtest: made weather over a made bucket of soil, and the measured ones."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import numpy as np
import pandas as pd

ROOT = Path(__file__).parents[1]
MEASURED = Path(os.environ.get("GONOGO_SHARED_DATA", ROOT.parent / "shared" / "data")) / "soil-moisture"
WHY_NOT = f"no measured soil moisture in {MEASURED}: set GONOGO_SHARED_DATA"
MOISTURE = [f"soil_moisture_{depth}cm_m3_m3" for depth in (5, 10, 20)]
N_DAYS = 210


def write_folder(folder: Path, *, n_stations: int = 2, is_masked: bool = False) -> Path:
    """Write stations whose moisture comes from a bucket that the model does not know of."""
    folder.mkdir(parents=True, exist_ok=True)
    rows = []
    for k in range(n_stations):
        name, rng = f"made-{k}", np.random.default_rng(k)
        rows.append({"id": name, "lat": 38.0 + k, "lon": -97.0, "elevation_m": 300.0, "climate": "humid"})
        rain = (rng.random(N_DAYS) < 0.25) * rng.gamma(0.8, 8.0, N_DAYS)
        season = np.sin((np.arange(N_DAYS) + 20) / 365.0 * 2.0 * np.pi)
        hot = 18.0 + 12.0 * season + rng.normal(0.0, 3.0, N_DAYS)
        theta, held = [], 0.22
        for water, sun in zip(rain, 3.0 + 2.0 * season, strict=True):
            held = min(held + water / (150.0 + 20.0 * k), 0.42)
            held -= (sun * 0.8 * np.clip((held - 0.08) / 0.14, 0.0, 1.0) + 40.0 * max(held - 0.27, 0.0)) / 150.0
            theta.append(held)
        table = pd.DataFrame(
            {
                "date_local_standard": pd.date_range("2020-03-01", periods=N_DAYS).strftime("%Y-%m-%d"),
                "air_temp_max_c": hot.round(1),
                "air_temp_min_c": (hot - 11.0).round(1),
                "air_temp_mean_c": (hot - 5.5).round(1),
                "precip_mm": rain.round(1),
                "solar_mj_m2": (20.0 - 8.0 * (rain > 0.0) + rng.normal(0.0, 1.0, N_DAYS)).round(2),
                "rh_max_pct": 90.0,
                "rh_min_pct": 45.0,
                "rh_mean_pct": 65.0,
                "soil_temp_5cm_c": 15.0,
            }
        )
        for column in MOISTURE:
            table[column] = np.round(theta, 4)
        if is_masked:
            table.loc[np.arange(N_DAYS) % 7 != 0, MOISTURE] = np.nan
            table["soil_temp_5cm_c"] = np.nan
        table.to_csv(folder / f"{name}_2020.csv", index=False)
    pd.DataFrame(rows).to_csv(folder / "stations.csv", index=False)
    return folder


def some_measured(folder: Path, names: tuple[str, ...]) -> Path:
    """Copy some measured stations into a folder of their own."""
    folder.mkdir(parents=True, exist_ok=True)
    table = pd.read_csv(MEASURED / "stations.csv", dtype=str)
    table[table["id"].isin(names)].to_csv(folder / "stations.csv", index=False)
    for name in names:
        for path in MEASURED.glob(f"{name}_*.csv"):
            shutil.copy(path, folder)
    return folder


def without_the_future(folder: Path, into: Path, issued: str, *, days_ahead: int = 10) -> Path:
    """Copy a folder in which nothing after a date is left but the weather of some days."""
    into.mkdir(parents=True, exist_ok=True)
    shutil.copy(folder / "stations.csv", into)
    for path in folder.glob("*_*.csv"):
        table = pd.read_csv(path)
        ahead = (pd.to_datetime(table["date_local_standard"]) - pd.Timestamp(issued)).dt.days
        soil = [c for c in table.columns if c.startswith("soil_")]
        table.loc[ahead > 0, soil] = np.nan
        table[ahead <= days_ahead].to_csv(into / path.name, index=False)
    return into
