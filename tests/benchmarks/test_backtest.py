"""How good the moisture forecast is on measured soil: the whole open half, every layer and use of readings. On demand:

    pytest tests/benchmarks/test_backtest.py -s

The bounds are what must be reached for the 0-150 mm layer (share of the error of "no change" at 1, 3, 5, 10 days), and
for every layer and climate to stay below "no change". Its table stands in gonogo/soil/README.md. The table
of soils was fitted on these stations: how good it is on soil never seen is there too (stations left out).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from backtest_builders import MEASURED, WHY_NOT

from gonogo.backtest import folder, run
from gonogo.backtest.forecast import READINGS
from gonogo.backtest.score import LEADS, scores

WANTED = {"weekly": {1: 0.57, 3: 0.46, 5: 0.45, 10: 0.43}, "first": {1: 0.65, 3: 0.54, 5: 0.48, 10: 0.49}}
DAILY_LAYERS = [name for name in folder.LAYERS if name != "7.5cm"]  # at that depth the daily stations have no probe
WARM_UP = 8  # readings before the first forecast that counts
HALF_WINDOW = 0.02 * 1.5  # 2 points of water content at 1.5 t/m3


@pytest.mark.skipif(not MEASURED.is_dir(), reason=WHY_NOT)
@pytest.mark.benchmark(group="backtest")
@pytest.mark.parametrize("readings", READINGS)
@pytest.mark.parametrize("layer", DAILY_LAYERS)
def test_the_open_half(benchmark: Any, tmp_path: Path, layer: str, readings: str) -> None:
    out = tmp_path / "predictions.csv"
    benchmark.pedantic(lambda: run.backtest(MEASURED, layer=layer, readings=readings, out=out), rounds=1)
    table = answered(layer, pd.read_csv(out, dtype={"station": str}))
    found = scores(table)
    every = found[found["group"] == "all"].set_index("lead_days")
    print(f"\n{layer}, {readings}: {len(table)} forecast days")
    print(found.round(4).to_string(index=False))
    print(skill(table).round(3).to_string(index=False))
    benchmark.extra_info["share"] = {lead: round(every["share"][lead], 3) for lead in LEADS}
    assert (found["share"] < 1.0).all()
    if layer == "0-150mm":
        assert all(every["share"][lead] <= most for lead, most in WANTED[readings].items())
        assert 0.78 <= every["band_holds"].mean() <= 0.84


def answered(layer: str, told: pd.DataFrame) -> pd.DataFrame:
    """Return forecasts beside what was measured, where a forecast counts: after some readings, in fit weather."""
    known = folder.stations(MEASURED)
    rows = []
    for path in folder.files(MEASURED, known):
        station = known[path.stem.rpartition("_")[0]]
        if not station.is_scored:
            continue
        station_year = folder.read(path, station, folder.LAYERS[layer])
        fit = folder.fit_days(station_year.day, station_year.weather)
        if (fit & pd.notna(station_year.theta)).sum() < 120:
            continue
        middle = float(pd.Series(station_year.theta[station_year.readings[: WARM_UP + 1]]).median())
        issues = [
            d for d in station_year.readings[WARM_UP:] if d + 10 < len(station_year.day) and fit[d : d + 11].all()
        ]
        for d in issues if len(issues) >= 5 else []:
            rows += [
                (
                    station.id,
                    station.climate,
                    str(station_year.day[d]),
                    k,
                    station_year.theta[d],
                    station_year.theta[d + k],
                    middle,
                )
                for k in range(1, 11)
            ]
    columns = ["station", "climate", "issued", "lead_days", "reading", "measured", "middle"]
    truth = pd.DataFrame(rows, columns=columns).dropna(subset=["measured"])
    both = truth.merge(told, on=["station", "issued", "lead_days"], how="left", validate="one_to_one")
    assert both["theta_mean"].notna().all()
    return both


def skill(table: pd.DataFrame) -> pd.DataFrame:
    """Return by lead how often "in the window" was said rightly, and how often falsely, beside "no change"."""
    rows = []
    for lead in LEADS:
        some = table[table["lead_days"] == lead]
        inside = {c: (some[c] - some["middle"]).abs() <= HALF_WINDOW for c in ("measured", "theta_mean", "reading")}
        row: dict[str, float] = {"lead_days": lead}
        for name, column in (("", "theta_mean"), ("_no_change", "reading")):
            said, truth = inside[column], inside["measured"]
            row[f"right{name}"] = float((said == truth).mean())
            row[f"false_in_window{name}"] = float((said & ~truth).sum() / max(1, said.sum()))
            row[f"missed{name}"] = float((~said & truth).sum() / max(1, truth.sum()))
        rows.append(row)
    return pd.DataFrame(rows)
