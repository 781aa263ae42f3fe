"""Fit what natural ground is like before anything is learned of it, and how forecasts of it err.

    python tests/fit_natural.py DATA_FOLDER [--folds 5] [--pieces FOLDER] [--minutes 5]

DATA_FOLDER holds stations.csv and daily files of the U.S. Climate Reference Network (daily01, US public domain, whole,
not masked). Stations of any other network are left out of the fit. It writes gonogo/soil/natural.json and
gonogo/backtest/day_rain.json, fitted in this order:
  1. coefficients for a first reading, with those of when in the day rain falls; then those for later readings: least
     squares over all layers together, every station with the same weight, simulated by the hour;
  2. covariance of a station's deviations: expectation-maximisation with gradients from an ensemble.
The same is fitted without each fold of stations, from the fit of all: natural_fits.json holds those, by which
tests/growth_fit.py then fits how forecasts of stations left out err.
Each fit is kept in a file of --pieces as soon as it is found: stopped, or out of --minutes, the command goes on where
it was when it is given again. Random draws have fixed seeds: the same data gives the same tables. About half an hour.
"""

from __future__ import annotations

import argparse
import json
import pickle
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from gonogo.backtest import folder, hours
from gonogo.backtest.folder import StationYear
from gonogo.backtest.forecast import HORIZON, station_site
from gonogo.backtest.hours import DAY, HALF, RAIN_LASTS_H, TIMING, DayRain
from gonogo.soil import bare_soil, natural
from gonogo.soil.balance import simulate
from gonogo.soil.error_growth import model_error
from gonogo.soil.knowledge import whitened
from gonogo.soil.layers import SoilState
from gonogo.soil.natural import COEFFICIENTS, PARAMETERS, Population
from gonogo.soil.reference_et import hourly_et0_mm
from gonogo.soil.season import predictors, season
from gonogo.soil.sky import Sky

NETWORK = "uscrn-"
LAYERS = ("5cm", "0-150mm", "0-200mm", "0-300mm")
TRAIN_EVERY_DAYS = 6
RIDGE = 3.0
PLACE_SD, DAY_SD = 0.5, 1.5
DEVIATION_START_SD, EM_ROUNDS, EM_MEMBERS, EM_INFLATION = 0.35, 3, 100, 8.0
EM_LEADS = [0, 2, 4, 6, 9]
RESTLESS = 0.2  # power of a station's own restlessness by which its errors count less: 0 as scored, 1 in shares
WARM_UP = 8  # readings before the first forecast that counts, as in the published task
CHUNK = 400  # starts simulated together: bounds the memory of the rain's columns
# Where the search begins, on the scale of the predictors: intake falls as ground gets wetter (Green and Ampt). From two
# other places it ends within 0.5 % of the same cost; where wet ground begins with the wider pores, 1.8 % above it.
BEGIN = {("intake", "reading"): -1.0}
EVEN_RAIN = DayRain(coefficients=np.zeros(len(TIMING)), place_sd=0.0, day_sd=0.0)


@dataclass
class Starts:
    """Training starts side by side (N): what is known at noon of each, and the weather and contents after."""

    station: np.ndarray
    theta: np.ndarray
    thickness_mm: np.ndarray
    known: np.ndarray
    demand_mm: np.ndarray
    water_mm: np.ndarray
    timing: np.ndarray
    measured: np.ndarray

    def __len__(self) -> int:
        return len(self.theta)

    def only(self, which: np.ndarray) -> Starts:
        return Starts(**{f.name: getattr(self, f.name)[which] for f in fields(self)})


def joined(parts: Sequence[Starts]) -> Starts:
    return Starts(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Starts)})


def starts(station_year: StationYear, at: np.ndarray, *, has_history: bool) -> Starts:
    """Starts at some days of a station-year; with has_history each knows the readings before it."""
    of = hours.hours(station_year, 2, rain=EVEN_RAIN)
    site, sky = station_site(station_year, "natural"), of.weather
    demand = np.maximum(hourly_et0_mm(sky.air, site.place), 0.0)
    so_far = season(sky.rain_mm + sky.melt_mm, demand, sky.temp_degc)
    kc_max = bare_soil.kc_max_by_hour(
        sky.wind_2m_m_s, sky.rh_pct, hour_utc=sky.hour_utc, longitude_deg=site.longitude_deg
    )
    rows = []
    for day in at.tolist():
        theta, seen = station_year.theta[day], [station_year.theta[day]]
        if has_history:
            seen += station_year.theta[station_year.readings[station_year.readings < day]].tolist()
        rows.append(predictors(so_far.at(day * DAY + HALF), theta, station_year.thickness_mm, max(seen), min(seen)))
    daily = (sky.rain_mm + sky.melt_mm).reshape(-1, DAY).sum(axis=1)
    span = at[:, None] * DAY + HALF + np.arange(HALF + HORIZON * DAY)
    ahead = at[:, None] + np.arange(HORIZON + 1)
    return Starts(
        station=np.full(len(at), station_year.station.id),
        theta=station_year.theta[at],
        thickness_mm=np.full(len(at), station_year.thickness_mm),
        known=np.array(rows).reshape(len(at), len(natural.PREDICTORS)),
        demand_mm=(demand * kc_max)[span],
        water_mm=daily[ahead],
        timing=hours.timing(station_year, daily, is_last=0)[ahead],
        measured=station_year.theta[ahead[:, 1:]],
    )


def training(data: Path, *, has_history: bool) -> Starts:
    known = folder.stations(data)
    parts = []
    for layer in LAYERS:
        for k, path in enumerate(folder.files(data, known)):
            station = known[path.stem.rpartition("_")[0]]
            if not (station.is_scored and station.id.startswith(NETWORK)):
                continue
            station_year = folder.read(path, station, folder.LAYERS[layer])
            fit = folder.fit_days(station_year.day, station_year.weather)
            if (fit & np.isfinite(station_year.theta)).sum() < 120:
                continue
            at = np.arange(
                station_year.readings[0] + (k % TRAIN_EVERY_DAYS), len(station_year.day) - HORIZON - 1, TRAIN_EVERY_DAYS
            )
            at = np.array(
                [d for d in at if fit[d : d + HORIZON + 1].all() and np.isfinite(station_year.theta[d])], dtype=int
            )
            if has_history and at.size:
                at = at[at > station_year.readings[0]]
            if not at.size:
                continue
            some = starts(station_year, at, has_history=has_history)
            parts.append(some.only(np.isfinite(some.measured).sum(axis=1) >= 3))
    return joined(parts)


def daily_means(
    table: Population, of: Starts, name: str, beta: np.ndarray, timing: np.ndarray, draws: np.ndarray | None = None
) -> np.ndarray:
    """Daily means (HORIZON, N, M) of the runs of members: columns of beta and timing, or draws of deviations."""
    out = []
    for first in range(0, len(of), CHUNK):
        some = of.only(np.arange(first, min(first + CHUNK, len(of))))
        expected = np.stack([natural.scores(table, some.known, name, column) for column in beta.T], axis=2)
        if draws is not None:
            expected = expected + (table.root @ draws)[:, None, :]
        params = natural.params(expected, some.thickness_mm[:, None], np.array(1.0))
        n, m = expected.shape[1:]
        logit = some.timing @ timing
        morning = 1.0 / (1.0 + np.exp(-np.clip(logit, -9.0, 9.0)))
        morning = np.broadcast_to(morning, (n, HORIZON + 1, m))
        # The rain of a half-day falls in as many hours as by the rule, here in the middle ones: intake asks how hard.
        halves = np.zeros((n, HORIZON + 1, 2, HALF, m))
        raining = slice((HALF - RAIN_LASTS_H) // 2, (HALF + RAIN_LASTS_H) // 2)
        for half, share in enumerate((morning, 1.0 - morning)):
            halves[:, :, half, raining] = (share * some.water_mm[..., None] / RAIN_LASTS_H)[:, :, None]
        rain = halves.reshape(n, -1, m)[:, HALF:].transpose(1, 0, 2)
        n_hours = rain.shape[0]
        path = simulate(
            SoilState(top_mm=np.broadcast_to(some.theta[:, None], (n, m)) * params.column_mm, base_mm=np.zeros((n, m))),
            params,
            Sky(
                et0_mm=np.broadcast_to(some.demand_mm.T[:, :, None], rain.shape),
                rain_mm=rain,
                watering_mm=np.zeros((n_hours, n)),
                surface=np.zeros((n_hours, n), dtype=np.int64),
                frozen=np.zeros(n_hours, dtype=np.bool_),
                kc_max=np.ones(n_hours),
            ),
        )
        theta = path.top_mm[HALF:-1] / params.column_mm
        out.append(theta.reshape(HORIZON, DAY, n, m).mean(axis=1))
    return np.concatenate(out, axis=1)


def weights(of: Starts) -> np.ndarray:
    """Every station alike, restless ones a very little less; every day ahead alike."""
    key = np.char.add(of.station, of.thickness_mm.astype(int).astype(str))
    weight, off = np.zeros(len(of)), of.theta[:, None] - of.measured
    for place in np.unique(key):
        m = key == place
        weight[m] = 1.0 / np.sqrt(m.sum()) / (np.sqrt(np.nanmean(off[m] ** 2)) ** RESTLESS * 0.03 ** (1.0 - RESTLESS))
    lead = np.sqrt(np.nanmean(off**2, axis=0))
    return weight[:, None] * (lead.mean() / lead) * np.sqrt(10.0)


def least_squares(residual: Callable[[np.ndarray], np.ndarray], start: np.ndarray, n_rounds: int) -> np.ndarray:
    """Levenberg and Marquardt with a ridge; residual takes columns of coefficients and gives columns of residuals."""
    b, n, damping, step = start.copy(), len(start), 1e-2, 1e-3
    r = residual(b[:, None])[:, 0]
    cost = r @ r + RIDGE**2 * b @ b
    for _ in range(n_rounds):
        jacobian = (residual(b[:, None] + step * np.eye(n)) - r[:, None]) / step
        normal, slope = jacobian.T @ jacobian + RIDGE**2 * np.eye(n), jacobian.T @ r + RIDGE**2 * b
        for _ in range(6):
            new = b + np.clip(np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -slope), -1.5, 1.5)
            r_new = residual(new[:, None])[:, 0]
            cost_new = r_new @ r_new + RIDGE**2 * new @ new
            if cost_new < cost:
                break
            damping *= 5.0
        else:
            break
        gain, b, r, cost, damping = (cost - cost_new) / cost, new, r_new, cost_new, max(damping / 4.0, 1e-5)
        if gain < 5e-4:
            break
    return b


def fitted(
    first: Starts, later: Starts, begin: tuple[Population, np.ndarray] | None = None
) -> tuple[Population, np.ndarray]:
    """Population and timing from some stations."""
    history = later.known[:, 8:]
    centre = np.r_[first.known[:, :8].mean(axis=0), 0.0, 0.0]
    scale = np.r_[first.known[:, :8].std(axis=0), np.sqrt((history**2).mean(axis=0))] + 1e-9
    table = Population(
        beta={name: np.array([BEGIN.get(pair, 0.0) for pair in pairs]) for name, pairs in COEFFICIENTS.items()},
        centre=centre,
        scale=scale,
        root=np.eye(len(PARAMETERS)),
        source="",
    )
    n_rounds = 12 if begin is None else 5
    timing = np.zeros(len(TIMING)) if begin is None else begin[1]
    for name, of in (("first", first), ("later", later)):
        weight, is_known = weights(of).T[:, :, None], np.isfinite(of.measured).T[:, :, None]
        measured = np.nan_to_num(of.measured).T[:, :, None]
        n = len(COEFFICIENTS[name])
        has_timing = name == "first"

        def residual(
            b: np.ndarray,
            name=name,
            of=of,
            weight=weight,
            is_known=is_known,
            measured=measured,
            n=n,
            t=has_timing,
            kept=timing,
        ) -> np.ndarray:
            modelled = daily_means(table, of, name, b[:n], b[n:] if t else np.repeat(kept[:, None], b.shape[1], axis=1))
            return np.where(is_known, (modelled - measured) * weight, 0.0).reshape(-1, b.shape[1])

        start = table.beta[name] if begin is None else begin[0].beta[name]
        found = least_squares(residual, np.r_[start, timing] if has_timing else start, n_rounds)
        table.beta[name] = found[:n]
        timing = found[n:] if has_timing else timing
    some = later.only(np.arange(0, len(later), 2))
    return with_covariance(table, some, timing), timing


def with_covariance(table: Population, of: Starts, timing: np.ndarray) -> Population:
    """The covariance of stations' deviations by expectation-maximisation."""
    key = np.char.add(of.station, of.thickness_mm.astype(int).astype(str))
    n = len(PARAMETERS)
    draws, covariance = whitened(np.random.default_rng(0), n, EM_MEMBERS), np.eye(n) * DEVIATION_START_SD**2
    error = np.array(
        [
            [model_error(theta, float(rain[1 : lead + 2].sum()), 24 * (lead + 1)) for lead in EM_LEADS]
            for theta, rain in zip(of.theta, of.water_mm, strict=True)
        ]
    ).T
    beta = np.repeat(table.beta["later"][:, None], EM_MEMBERS, axis=1)
    for _ in range(EM_ROUNDS):
        away = np.linalg.cholesky(covariance) @ draws
        now = Population(
            beta=table.beta, centre=table.centre, scale=table.scale, root=np.linalg.cholesky(covariance), source=""
        )
        drawn = daily_means(now, of, "later", beta, np.repeat(timing[:, None], EM_MEMBERS, axis=1), draws)[EM_LEADS]
        inverse, total, n_places = np.linalg.inv(covariance), np.zeros_like(covariance), 0
        for place in np.unique(key):
            m = key == place
            y, seen = of.measured.T[EM_LEADS][:, m].ravel(), drawn[:, m].reshape(-1, EM_MEMBERS)
            known = np.isfinite(y)
            y, seen = y[known], seen[known]
            variance = error[:, m].ravel()[known] ** 2 / 1.44 * EM_INFLATION
            apart = seen - seen.mean(axis=1, keepdims=True)
            gradient = (apart @ away.T / (EM_MEMBERS - 1)) @ inverse
            posterior = np.linalg.inv(inverse + gradient.T @ (gradient / variance[:, None]))
            limit = 3.0 * np.sqrt(np.diag(covariance))
            mean = np.clip(posterior @ (gradient.T @ ((y - seen.mean(axis=1)) / variance)), -limit, limit)
            total, n_places = total + np.outer(mean, mean) + posterior, n_places + 1
        covariance = total / n_places + 1e-4 * np.eye(n)
    return Population(
        beta=table.beta, centre=table.centre, scale=table.scale, root=np.linalg.cholesky(covariance), source=""
    )


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


def as_rows(table: Population, timing: np.ndarray, source: str) -> tuple[dict, dict]:
    """The two files of a fit."""
    soil = {
        "source": source,
        "coefficients": COEFFICIENTS,
        "parameters": list(PARAMETERS),
        "predictors": list(natural.PREDICTORS),
        "beta": {name: beta.round(6).tolist() for name, beta in table.beta.items()},
        "centre": table.centre.round(6).tolist(),
        "scale": table.scale.round(6).tolist(),
        "covariance": (table.root @ table.root.T).round(8).tolist(),
    }
    rain = {
        "source": source,
        "coefficients": dict(zip(TIMING, timing.round(6).tolist(), strict=True)),
        "place_sd": PLACE_SD,
        "day_sd": DAY_SD,
    }
    return soil, rain


def kept(piece: Path, fit: Callable[[], tuple[Population, np.ndarray]], until: float) -> tuple[Population, np.ndarray]:
    """Return a fit from its file, or find and keep it; ends the program, to be started again, when time is up."""
    if piece.exists():
        return pickle.loads(piece.read_bytes())
    if time.monotonic() > until:
        sys.exit("Time is up: the same command goes on from here.")
    found = fit()
    piece.write_bytes(pickle.dumps(found))
    print(f"{piece.stem} fitted", flush=True)
    return found


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("data", type=Path)
    options.add_argument("--folds", type=int, default=5)
    options.add_argument("--pieces", type=Path, default=Path("natural_pieces"), help="where each fit is kept at once")
    options.add_argument("--minutes", type=float, default=1e6, help="no fit is begun after these")
    asked = options.parse_args()
    until = time.monotonic() + 60.0 * asked.minutes
    asked.pieces.mkdir(parents=True, exist_ok=True)
    folds = fold_of(asked.data, asked.folds)
    first, later = (training(asked.data, has_history=h) for h in (False, True))
    print(f"{len(first)} and {len(later)} starts", flush=True)
    whole = kept(asked.pieces / "whole.pickle", lambda: fitted(first, later), until)
    n_stations = len(np.unique(first.station))
    source = (
        f"fitted by tests/fit_natural.py on {datetime.now(UTC).date().isoformat()}: {n_stations} stations of the U.S. "
        "Climate Reference Network, daily01, 2020 (and further years of one), US public domain (NOAA NCEI; Diamond et "
        "al. 2013, Bell et al. 2013): natural, mostly grassed soil"
    )
    fits = []
    in_first, in_later = (np.array([folds[s] for s in of.station]) for of in (first, later))
    for f in range(asked.folds):
        fit = kept(
            asked.pieces / f"without_fold_{f}.pickle",
            lambda f=f: fitted(first.only(in_first != f), later.only(in_later != f), whole),
            until,
        )
        fits.append(as_rows(*fit, source))
    of_all = as_rows(*whole, source)
    package = Path(natural.__file__).parents[1]
    for file, rows in zip(
        (package / "soil" / "natural.json", package / "backtest" / "day_rain.json"), of_all, strict=True
    ):
        file.write_text(json.dumps(rows, indent=1) + "\n", encoding="utf-8")
    (asked.pieces / "natural_fits.json").write_text(
        json.dumps({"folds": folds, "fits": fits, "whole": of_all}), encoding="utf-8"
    )


if __name__ == "__main__":
    main()
