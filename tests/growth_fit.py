"""How forecasts err with the days since a reading: fitted on forecasts of stations left out, for one kind of ground.

python tests/growth_fit.py DATA_FOLDER NATURAL_FITS natural|fill [--layers ...] [--cv-out FOLDER]
"""

from __future__ import annotations

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pandas as pd
from scipy.optimize import minimize

from gonogo.backtest import folder, hours
from gonogo.backtest.forecast import HORIZON, N_MEMBERS, READINGS, forecasts
from gonogo.config.settings import setting_rows
from gonogo.moisture import strips_run
from gonogo.soil import error_growth, natural
from gonogo.soil.error_growth import TERMS, ErrorGrowth
from gonogo.soil.ground import Tables

NETWORK, WARM_UP = "uscrn-", 8
LAYERS = ("5cm", "0-150mm", "0-300mm")
# Bands on ground never seen are too narrow by a little: the tails are cut at less than a tenth. With 0.08 the 10-90 %
# band of eight hourly stations that are in no fit held 69 to 80 %, that of fill, which has no table, 71 to 82 %.
# On natural ground 0.065 held 69 % of humid stations left out on day 1 (weekly) and 70 to 71 % of the prairie.
TAIL = {"natural": 0.055, "fill": 0.065}
# The middle of the distribution is drawn together by this, the tenths stay: chosen on stations left out by windows
# around a station's usual content, by how often what was given 55 and 65 % came true and by the Brier score. Natural
# ground with 0.7, weekly readings: 61 and 69 %, 0.0571; with 0.4: 57 and 69 %, 0.0568; one reading: 63 and 72 %,
# 0.0659, and 64 and 67 %, 0.0656. Fill stands as it was chosen, by the Brier score of
# windows at four distances from the usual content: 1: 0.0693, band 80.0 %; 0.7: 0.0685, 79.4 %; 0.55: 0.0682, 79.0 %.
CENTRE = {"natural": 0.4, "fill": 0.7}
PROBABILITY = (0.0, 0.01, 0.025, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.975, 0.99, 1.0)
# What the forecasts are made with before anything is fitted: as wide as measured errors are on the whole.
ROUGH = ErrorGrowth(
    scale=np.where(np.array(TERMS) == "lead", 0.4, np.where(np.array(TERMS) == "one", -4.3, 0.0)),
    probability=np.array([0.0, 0.1, 0.5, 0.9, 1.0]),
    quantile=np.array([-2.5, -1.2, 0.0, 1.2, 2.5]),
)
RIDGE = 1e-3


def settings() -> dict[str, float]:
    return {name: row.value for name, row in setting_rows().items()}


def of_station(
    paths: list[Path],
    station: folder.Station,
    fit: tuple[dict, dict],
    growth: ErrorGrowth | None,
    ground: str,
    layer: str,
    mode: str,
) -> pd.DataFrame:
    """Rows of a station's scored forecasts, one a day ahead, by the tables of a fit that did not see it."""
    table = natural.parsed(json.dumps(fit[0]))
    rain = hours.DayRain(
        coefficients=np.array([fit[1]["coefficients"][n] for n in hours.TIMING]),
        place_sd=fit[1]["place_sd"],
        day_sd=fit[1]["day_sd"],
    )
    tables = Tables(population=table, growth=dict.fromkeys(("natural", "fill"), growth or ROUGH))
    out = []
    for path in paths:
        station_year = folder.read(path, station, folder.LAYERS[layer])
        fine = folder.fit_days(station_year.day, station_year.weather)
        if (fine & np.isfinite(station_year.theta)).sum() < 120:
            continue
        # The tables in force are those that did not see the station; a name that is no longer there raises.
        with patch.object(strips_run, "Tables", lambda: tables):
            told = forecasts(
                station_year, hours.hours(station_year, N_MEMBERS, rain=rain), mode, ground=ground, settings=settings()
            )
        scored = np.isin(told.day, station_year.readings[WARM_UP:]) & np.array(
            [fine[d : d + HORIZON + 1].all() for d in told.day]
        )
        if scored.sum() < 5:
            continue
        day = told.day[scored]

        def flat(a: np.ndarray, which: np.ndarray = scored) -> np.ndarray:
            return a[which].reshape(int(which.sum()) * HORIZON, *a.shape[2:])

        rows = pd.DataFrame(
            {
                "station": station.id,
                "climate": station.climate,
                "layer": layer,
                "mode": mode,
                "issued": np.repeat(station_year.day[day].astype(str), HORIZON),
                "lead_days": np.tile(np.arange(1, HORIZON + 1), len(day)),
                "reading": np.repeat(station_year.theta[day], HORIZON),
                "measured": station_year.theta[day[:, None] + np.arange(1, HORIZON + 1)].ravel(),
                "theta_mean": flat(told.mean),
                "theta_p10": flat(told.p10),
                "theta_p90": flat(told.p90),
                "sd": flat(told.members.std(axis=-1, ddof=1)),
                "middle": float(np.nanmedian(station_year.theta[station_year.readings[: WARM_UP + 1]])),
            }
        )
        half = 0.03
        members = flat(told.members)
        rows["chance"] = (np.abs(members - rows["middle"].to_numpy()[:, None]) <= half).mean(axis=1)
        out.append(pd.concat([rows, pd.DataFrame(flat(told.terms), columns=TERMS)], axis=1))
    return pd.concat(out) if out else pd.DataFrame()


def left_out(
    data: Path,
    fits: Path,
    growth: ErrorGrowth | None,
    ground: str,
    layers=LAYERS,
    modes=READINGS,
    network: str = "",
    n_processes: int = 2,
) -> pd.DataFrame:
    """Forecasts of every station by the tables that did not see it (the last fit's where it belongs to no fold)."""
    kept = json.loads(fits.read_text(encoding="utf-8"))
    known = folder.stations(data)
    by_station: dict[str, list[Path]] = {}
    for path in folder.files(data, known):
        name = path.stem.rpartition("_")[0]
        if known[name].is_scored and name.startswith(network):
            by_station.setdefault(name, []).append(path)
    work = []
    for name, paths in by_station.items():
        fit = (
            kept["fits"][kept["folds"].get(name, 0)] if "whole" not in kept or name in kept["folds"] else kept["whole"]
        )
        for layer in layers:
            for mode in modes:
                work.append((paths, known[name], fit, growth, ground, layer, mode))
    with ProcessPoolExecutor(n_processes, mp_context=get_context("spawn")) as pool:
        return pd.concat(list(pool.map(partial(_call), work, chunksize=4)), ignore_index=True)


def _call(args) -> pd.DataFrame:
    return of_station(*args)


def quantile(values: np.ndarray, weights: np.ndarray, p) -> np.ndarray:
    order = np.argsort(values)
    reached = (np.cumsum(weights[order]) - 0.5 * weights[order]) / weights.sum()
    return np.interp(p, reached, values[order])


def growth_of(rows: pd.DataFrame, ground: str) -> ErrorGrowth:
    """Width by Laplace likelihood, then quantiles of the scaled errors. Classes of climate count alike."""
    rows = rows[np.isfinite(rows["measured"])]
    terms, error, rest = (
        rows[list(TERMS)].to_numpy(),
        (rows["measured"] - rows["theta_mean"]).to_numpy(),
        rows["sd"].to_numpy(),
    )
    rough = ROUGH.half_width(terms) * ROUGH.steps(N_MEMBERS).std()
    rest = np.sqrt(np.maximum(rest**2 - rough**2, 0.0))
    count = rows.groupby(["climate", "layer", "mode"])["measured"].transform("size").to_numpy()
    w = 1.0 / count**0.7
    w = w / w.sum()

    def loss(c: np.ndarray) -> tuple[float, np.ndarray]:
        half = np.exp(np.clip(terms @ c, -9.0, 0.0))
        total = np.sqrt(half**2 + rest**2)
        z = np.abs(error) / total
        d = (1.0 - z) * half**2 / total**2
        return float((w * (np.log(total) + z)).sum() + RIDGE * (c[1:] ** 2).sum()), (w * d) @ terms + 2 * RIDGE * np.r_[
            0.0, c[1:]
        ]

    start = np.zeros(len(TERMS))
    start[0] = np.log(0.012)
    c = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": 500}).x
    half = np.exp(terms @ c)
    z = error / np.sqrt(half**2 + rest**2)
    p, tail, centre = np.array(PROBABILITY), TAIL[ground], CENTRE[ground]
    at = np.interp(p, [0.0, 0.1, 0.5, 0.9, 1.0], [0.0, tail, 0.5, 1.0 - tail, 1.0])
    at[0], at[-1] = 0.003, 0.997
    from_middle = np.abs(p - 0.5) / 0.4
    q = quantile(z, w, at) * np.where(from_middle >= 1.0, 1.0, centre + (1.0 - centre) * from_middle**2)
    # The steps' mean is taken off, so that bias is no part of the spread.
    return ErrorGrowth(scale=c, probability=p, quantile=q)


def fit_growth(data: Path, fits: Path, ground: str, source: str, cv_out: Path | None) -> None:
    rows = left_out(data, fits, None, ground, network=NETWORK)
    growth = growth_of(rows, ground)
    path = Path(error_growth.__file__).with_name("error_growth.json")
    kept = json.loads(path.read_text(encoding="utf-8"))
    kept["grounds"][ground] = {
        "source": source,
        "scale": growth.scale.round(5).tolist(),
        "probability": growth.probability.tolist(),
        "quantile": growth.quantile.round(4).tolist(),
    }
    path.write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")
    if cv_out:
        rows = left_out(data, fits, growth, ground, network=NETWORK)
        cv_out.mkdir(parents=True, exist_ok=True)
        rows.to_csv(cv_out / f"{ground}.csv", index=False)


def report(rows: pd.DataFrame) -> None:
    """Print error against no change, band and chances by layer and mode."""
    rows = rows[np.isfinite(rows["measured"])].copy()
    rows["hit"] = rows["measured"].between(rows["theta_p10"], rows["theta_p90"])
    rows["e2"], rows["e02"] = (rows["theta_mean"] - rows["measured"]) ** 2, (rows["reading"] - rows["measured"]) ** 2
    rows["truth"] = (rows["measured"] - rows["middle"]).abs() <= 0.03
    for (layer, mode), some in rows.groupby(["layer", "mode"]):
        line = [f"{layer:8s} {mode:7s}"]
        for label, own in [("all", some), *some.groupby("climate")]:
            if label != "all" and own["station"].nunique() < 2:
                continue
            share, band, brier = [], [], []
            for lead in (1, 3, 5, 10):
                s = own[own["lead_days"] == lead]
                by = s.groupby("station")[["e2", "e02"]].mean().mean()
                share.append(f"{np.sqrt(by['e2'] / by['e02']):.3f}")
                band.append(f"{100 * s['hit'].mean():.0f}")
                said0 = (s["reading"] - s["middle"]).abs() <= 0.03
                freq = said0.map(s.groupby(said0)["truth"].mean())
                still = max(((freq - s["truth"]) ** 2).mean(), 1e-9)
                brier.append(f"{((s['chance'] - s['truth']) ** 2).mean() / still - 1:+.2f}")
            line.append(f"{label}: {'/'.join(share)} band {'/'.join(band)} brier {'/'.join(brier)}")
        print("\n    ".join(line), flush=True)
    print(
        "bias", rows.groupby("lead_days").apply(lambda s: (s["theta_mean"] - s["measured"]).mean()).round(4).to_dict()
    )
    tenth = np.minimum((rows["chance"] * 10).astype(int), 9)
    print(
        "reliability",
        {k: (round(s["chance"].mean(), 3), round(s["truth"].mean(), 3), len(s)) for k, s in rows.groupby(tenth)},
        "band all",
        round(rows["hit"].mean(), 3),
    )


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("data", type=Path)
    options.add_argument("fits", type=Path)
    options.add_argument("ground", choices=("natural", "fill"))
    options.add_argument("--cv-out", type=Path)
    asked = options.parse_args()
    told = json.loads(asked.fits.read_text())["fits"][0][0]["source"]
    fit_growth(
        asked.data, asked.fits, asked.ground, told.replace("tests/fit_natural.py", "tests/growth_fit.py"), asked.cv_out
    )
