"""Fit the table of soil parameters that `gonogo backtest` starts from: gonogo/backtest/population.json.

    python tests/fit_population.py DATA_FOLDER [--out population.json] [--folds 10] [--cv-out FOLDER]

DATA_FOLDER holds stations.csv and daily files of the U.S. Climate Reference Network (daily01, US public domain, whole,
not masked). Stations of any other network are left out of the fit. Three things are fitted, in this order:
  1. coefficients: least squares over all layers together, every station with the same weight;
  2. covariance of a station's deviations: expectation-maximisation with gradients from an ensemble;
  3. width of the band: from errors of stations left out, so that it is honest about soil never seen.
With --cv-out the forecasts of stations left out are written too, a CSV file for each layer and use of readings.
Random draws have fixed seeds: the same data gives the same table. Takes some minutes.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.optimize import least_squares, minimize

from gonogo.backtest import folder, forecast, population
from gonogo.backtest.daily import days
from gonogo.backtest.population import COEFFICIENTS, PARAMETERS, Population, members
from gonogo.backtest.starts import HORIZON, PREDICTORS, Starts, joined, starts

NETWORK = "uscrn-"
TRAIN_EVERY_DAYS = 6
RIDGE = 0.1
DEVIATION_START_SD, EM_ROUNDS, EM_MEMBERS, EM_INFLATION = 0.35, 3, 200, 8.0
EM_LEADS, EM_SHAPE = [0, 2, 4, 6, 9], np.array([0.45, 0.75, 0.9, 1.0, 1.15])
# Bands on stations never seen are too narrow by a little: the tails are cut at less than a tenth.
TAIL = 0.08
WARM_UP = 8  # readings before the first forecast that counts, as in the published task


class Data:
    """Starts of one layer: `train` on every few days, `issued` on reading days; who may be scored."""

    def __init__(self, data: Path, layer: str, first_run: int) -> None:
        known = folder.stations(data)
        train, issued, is_issue = [], [], []
        self.climate: dict[str, str] = {}
        for k, path in enumerate(folder.files(data, known)):
            station = known[path.stem.rpartition("_")[0]]
            if not station.is_scored:
                continue
            one = folder.read(path, station, folder.LAYERS[layer])
            fit = folder.fit_days(one.day, one.weather)
            if (fit & np.isfinite(one.theta)).sum() < 120 or one.readings.size <= WARM_UP:
                continue
            self.climate[station.id] = station.climate
            weather = days(one)
            issued.append(starts(one, weather, run=first_run + k))
            whole = np.array([fit[d : d + HORIZON + 1].all() for d in issued[-1].day])
            is_issue.append(whole & np.isin(issued[-1].day, one.readings[WARM_UP:]))
            if station.id.startswith(NETWORK):
                at = np.arange(one.readings[0] + (k % TRAIN_EVERY_DAYS), len(one.day), TRAIN_EVERY_DAYS)
                some = starts(one, weather, at=at, run=first_run + k)
                good = np.array([fit[d : d + HORIZON + 1].all() for d in some.day])
                train.append(some.only(good & (np.isfinite(some.measured).sum(axis=1) >= 3)))
        self.train, self.issued, self.is_issue = joined(train), joined(issued), np.concatenate(is_issue)
        self.day = {p.stem: None for p in folder.files(data, known)}


def fold_of(data: Path, n_folds: int) -> dict[str, int]:
    """Stations into folds, climates evenly; stations close to each other fall into one fold."""
    known = [s for s in folder.stations(data).values() if s.is_scored]
    table = pd.read_csv(data / "stations.csv", dtype={"id": str}).set_index("id")
    group = {s.id: s.id for s in known}
    for a in sorted(group):
        for b in sorted(group):
            near = abs(table.lat[a] - table.lat[b]) < 0.6 and abs(table.lon[a] - table.lon[b]) < 0.7
            if a < b and near:
                group[b] = group[a]
    climate, rng, folds, n = {s.id: s.climate for s in known}, np.random.default_rng(1), {}, 0
    for kind in sorted(set(climate.values())):
        members_of = [g for g in sorted(set(group.values())) if climate[g] == kind]
        rng.shuffle(members_of)
        for g in members_of:
            folds[g], n = n % n_folds, n + 1
    return {s: folds[group[s]] for s in group}


def fitted(train: Starts) -> Population:
    """Coefficients and covariance from some stations; the band is still missing."""
    x = train.predictors
    table = Population(
        beta=np.zeros(len(COEFFICIENTS)),
        centre=x.mean(axis=0),
        scale=x.std(axis=0) + 1e-9,
        covariance=np.eye(len(PARAMETERS)) * DEVIATION_START_SD**2,
        spread={},
        source="",
    )
    weight, is_known = fit_weights(train), np.isfinite(train.measured)

    def residual(beta: np.ndarray) -> np.ndarray:
        off = members(table, train, beta=beta)[:, :, 0].T - train.measured
        return np.concatenate([np.where(is_known, off * weight, 0.0).ravel() * np.sqrt(10.0), RIDGE * beta])

    table = replace(table, beta=least_squares(residual, table.beta, max_nfev=15).x)
    return with_covariance(table, train.only(np.arange(0, len(train), 2)))


def fit_weights(of: Starts) -> np.ndarray:
    """Every station alike, restless ones a little less; every day ahead alike."""
    key = np.char.add(of.station, of.thickness_mm.astype(int).astype(str))
    weight, off = np.zeros(len(of)), of.theta[:, None] - of.measured
    for one in np.unique(key):
        m = key == one
        weight[m] = 1.0 / np.sqrt(m.sum()) / (np.sqrt(np.nanmean(off[m] ** 2)) ** 0.4 * 0.03**0.6)
    lead = np.sqrt(np.nanmean(off**2, axis=0))
    return weight[:, None] * (lead.mean() / lead)


def with_covariance(table: Population, of: Starts) -> Population:
    """The covariance of stations' deviations by expectation-maximisation."""
    key = np.char.add(of.station, of.thickness_mm.astype(int).astype(str))
    draws = population.whitened(len(PARAMETERS), EM_MEMBERS)
    covariance = table.covariance
    for _ in range(EM_ROUNDS):
        away = np.linalg.cholesky(covariance) @ draws
        drawn = members(table, of, deviations=away)[EM_LEADS]
        error = forecast.error_sd(of) / forecast.ERROR_SCALE
        inverse, total, n = np.linalg.inv(covariance), np.zeros_like(covariance), 0
        for one in np.unique(key):
            m = key == one
            y, seen = of.measured.T[EM_LEADS][:, m].ravel(), drawn[:, m].reshape(-1, EM_MEMBERS)
            known = np.isfinite(y)
            y, seen = y[known], seen[known]
            variance = (EM_SHAPE[:, None] * error[None, m]).ravel()[known] ** 2 * EM_INFLATION
            apart = seen - seen.mean(axis=1, keepdims=True)
            gradient = (apart @ away.T / (EM_MEMBERS - 1)) @ inverse
            posterior = np.linalg.inv(inverse + gradient.T @ (gradient / variance[:, None]))
            limit = 3.0 * np.sqrt(np.diag(covariance))
            mean = np.clip(posterior @ (gradient.T @ ((y - seen.mean(axis=1)) / variance)), -limit, limit)
            total, n = total + np.outer(mean, mean) + posterior, n + 1
        covariance = total / n + 1e-4 * np.eye(len(covariance))
    return replace(table, covariance=covariance)


def spread_constants(lots: Sequence[tuple[Starts, np.ndarray, np.ndarray]], weights: np.ndarray) -> dict[str, list]:
    """Width of the band by Laplace likelihood, then quantiles of the scaled errors for each day ahead."""
    terms = np.concatenate([forecast.spread_terms(of, variance) for of, _, variance in lots], axis=1)
    error = np.concatenate([of.measured.T - mean for of, mean, _ in lots], axis=1)
    known = np.isfinite(error)
    w, size = np.where(known, weights, 0.0), np.where(known, np.abs(error), 0.0)

    def loss(c: np.ndarray) -> tuple[float, np.ndarray]:
        log_half = terms @ c
        z = size * np.exp(-log_half)
        slope = (w[..., None] * (1.0 - z)[..., None] * terms).sum(axis=(0, 1)) / w.sum()
        return (w * (log_half + z)).sum() / w.sum() + 1e-3 * (c[1:] ** 2).sum(), slope + np.r_[0.0, 2e-3 * c[1:]]

    first = np.zeros(terms.shape[2])
    first[0] = np.log(0.012)
    c = minimize(loss, first, jac=True, method="L-BFGS-B").x
    z, lead = error * np.exp(-(terms @ c)), np.log(np.arange(1, HORIZON + 1))
    tails = [[quantile(z[k][known[k]], weights[known[k]], p) for p in (TAIL, 1.0 - TAIL)] for k in range(HORIZON)]
    smooth = [np.polyval(np.polyfit(lead, np.array(tails)[:, j], 2), lead) for j in (0, 1)]
    return {"scale": c.tolist(), "quantiles": np.stack(smooth, axis=1).tolist()}


def quantile(values: np.ndarray, weights: np.ndarray, p: float) -> float:
    order = np.argsort(values)
    reached = (np.cumsum(weights[order]) - 0.5 * weights[order]) / weights.sum()
    return float(np.interp(p, reached, values[order]))


def class_weights(of: Starts, climate: dict[str, str]) -> np.ndarray:
    """Classes of climate count alike."""
    kinds = np.array([climate[s] for s in of.station])
    count = {kind: (kinds == kind).sum() for kind in np.unique(kinds)}
    return np.array([len(kinds) / 3.0 / count[kind] for kind in kinds])


def as_rows(of: Starts, dates: dict[int, np.ndarray], result: forecast.Forecast) -> pd.DataFrame:
    n = len(of)
    return pd.DataFrame(
        {
            "station": np.repeat(of.station, HORIZON),
            "issued": np.repeat([str(dates[r][d]) for r, d in zip(of.run, of.day, strict=True)], HORIZON),
            "lead_days": np.tile(np.arange(1, HORIZON + 1), n),
            "theta_mean": result.mean.T.ravel(),
            "theta_p10": result.p10.T.ravel(),
            "theta_p90": result.p90.T.ravel(),
        }
    ).round(6)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("data", type=Path)
    options.add_argument("--out", type=Path, default=Path("population.json"))
    options.add_argument("--folds", type=int, default=10)
    options.add_argument("--cv-out", type=Path)
    asked = options.parse_args()
    data = {layer: Data(asked.data, layer, 1000 * i) for i, layer in enumerate(folder.LAYERS)}
    folds = fold_of(asked.data, asked.folds)
    train = joined([d.train for d in data.values()])
    fold_train = np.array([folds[s] for s in train.station])
    left_out = {(layer, mode): np.full((2, HORIZON, len(d.issued)), np.nan) for layer, d in data.items()
                for mode in forecast.READINGS}  # fmt: skip
    tables = []
    for f in range(asked.folds):
        tables.append(fitted(train.only(fold_train != f)))
        for (layer, mode), store in left_out.items():
            of = data[layer].issued
            mine = np.array([folds[s] == f for s in of.station])
            if mine.any():
                store[:, :, mine] = forecast.moments(of.only(mine), tables[f], mode)
        print(f"fold {f + 1} of {asked.folds}", flush=True)

    def constants(mode: str, but: int | None) -> dict[str, list]:
        lots, weights = [], []
        for layer, d in data.items():
            some = d.is_issue & np.array([folds[s] != but for s in d.issued.station])
            mean, variance = left_out[layer, mode][:, :, some]
            lots.append((d.issued.only(some), mean, variance))
            weights.append(class_weights(lots[-1][0], d.climate))
        return spread_constants(lots, np.concatenate(weights))

    whole = fitted(train)
    n_stations = len(np.unique(train.station))
    row = {
        "source": f"fitted by tests/fit_population.py on {datetime.now(UTC).date().isoformat()}: {n_stations} stations "
        "of the U.S. Climate Reference Network, daily01, 2020 (and further years of one), US public domain (NOAA NCEI; "
        "Diamond et al. 2013, Bell et al. 2013): natural, mostly grassed soil",
        "coefficients": COEFFICIENTS,
        "parameters": PARAMETERS,
        "predictors": PREDICTORS,
        "beta": whole.beta.round(6).tolist(),
        "centre": whole.centre.round(6).tolist(),
        "scale": whole.scale.round(6).tolist(),
        "covariance": whole.covariance.round(8).tolist(),
        "spread": {mode: constants(mode, None) for mode in forecast.READINGS},
    }
    asked.out.write_text(json.dumps(row, indent=1) + "\n", encoding="utf-8")
    if asked.cv_out:
        asked.cv_out.mkdir(parents=True, exist_ok=True)
        known = folder.stations(asked.data)
        for i, (layer, d) in enumerate(data.items()):
            paths = folder.files(asked.data, known)
            dates = {1000 * i + k: pd.date_range(f"{p.stem.rpartition('_')[2]}-01-01", periods=366).to_numpy()
                     .astype("datetime64[D]") for k, p in enumerate(paths)}  # fmt: skip
            for mode in forecast.READINGS:
                rows = []
                for f in range(asked.folds):
                    mine = np.array([folds[s] == f for s in d.issued.station])
                    spread = {k: np.array(v) for k, v in constants(mode, f).items()}
                    of, (mean, variance) = d.issued.only(mine), left_out[layer, mode][:, :, mine]
                    low, high = forecast.band(of, mean, variance, spread)
                    rows.append(as_rows(of, dates, forecast.Forecast(mean=mean, p10=low, p90=high)))
                pd.concat(rows).to_csv(asked.cv_out / f"cv_{layer}_{mode}.csv", index=False)


if __name__ == "__main__":
    main()
