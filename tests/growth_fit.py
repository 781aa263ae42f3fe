"""How forecasts err with the days since a reading: fitted on forecasts of stations left out, and measured on them.

    python tests/growth_fit.py DATA_FOLDER NATURAL_FITS [--pieces FOLDER] [--minutes 5] [--ground natural]

NATURAL_FITS is what tests/fit_natural.py wrote for the folds. It writes gonogo/soil/error_growth.json. It begins from
ROUGH, never from what is shipped, so that the same data gives the same table: ROUNDS times forecasts of all stations
are made by the tables that did not see them, and the growth is fitted on these. Last come forecasts by tables and
growth that did not see the station, which are scored and printed: errors, bands, chances.
Forecasts of one round, layer and use of readings are a file of --pieces: stopped, or out of --minutes, the command goes
on where it was when it is given again. About a minute of one core for each of 36 files.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
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
ROUNDS = 3  # the first makes its forecasts with ROUGH widths, which cut off what dry soil may hold
# Bands on ground never seen are too narrow by a little: the tails are cut at less than a tenth. On natural ground left
# out a tenth held 70 to 75 % of humid stations with weekly readings, 0.08 held 71 to 79 %, 0.07 holds 73 to 81 %.
# Taken for fill, one reading: 0.07 held 71 to 77 %, of windows given 84 % 73 % came true; 0.035 holds 77 to 84 %, 78 %.
TAIL = {"natural": 0.07, "fill": 0.035}
# The middle of the distribution is drawn together by this, the tenths stay: by the Brier score of windows around a
# station's usual content on stations left out (natural, one reading and weekly: 0.0638 and 0.0561 by 0.9, 0.0635 and
# 0.0558 by 0.6, 0.0638 and 0.0557 by 0.3).
CENTRE = {"natural": 0.6, "fill": 0.6}
PROBABILITY = (0.0, 0.01, 0.025, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.975, 0.99, 1.0)
# What forecasts are made with where no table stands for the terms: as wide as measured errors are on the whole.
ROUGH = ErrorGrowth(
    scale=np.where(np.array(TERMS) == "lead", 0.4, np.where(np.array(TERMS) == "one", -4.3, 0.0)),
    probability=np.array([0.0, 0.1, 0.5, 0.9, 1.0]),
    quantile=np.array([-2.5, -1.2, 0.0, 1.2, 2.5]),
)
RIDGE = 1e-3
FREEDOM = 2.5  # of Student's distribution by which widths are fitted: measured errors have tails as heavy
WEIGHT_POWER = 0.7  # classes of climate count alike at 1, forecasts at 0


def settings() -> dict[str, float]:
    return {name: row.value for name, row in setting_rows().items()}


def of_station(
    paths: list[Path],
    station: folder.Station,
    fit: tuple[dict, dict],
    growth: ErrorGrowth,
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
    tables = Tables(population=table, growth=dict.fromkeys(("natural", "fill"), growth))
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
    data: Path, fits: dict, growth: Sequence[ErrorGrowth], ground: str, layer: str, mode: str, n_processes: int = 1
) -> pd.DataFrame:
    """Forecasts of every station by the tables, and the growth, of the fold that it belongs to."""
    known = folder.stations(data)
    by_station: dict[str, list[Path]] = {}
    for path in folder.files(data, known):
        name = path.stem.rpartition("_")[0]
        if known[name].is_scored and name.startswith(NETWORK):
            by_station.setdefault(name, []).append(path)
    work = []
    for name, paths in by_station.items():
        fold = fits["folds"][name]
        work.append((paths, known[name], fits["fits"][fold], growth[fold], ground, layer, mode))
    with ProcessPoolExecutor(n_processes, mp_context=get_context("spawn")) as pool:
        return pd.concat(list(pool.map(_call, work, chunksize=4)), ignore_index=True)


def _call(args) -> pd.DataFrame:
    return of_station(*args)


def quantile(values: np.ndarray, weights: np.ndarray, p) -> np.ndarray:
    order = np.argsort(values)
    reached = (np.cumsum(weights[order]) - 0.5 * weights[order]) / weights.sum()
    return np.interp(p, reached, values[order])


def growth_of(rows: pd.DataFrame, ground: str, made_with: ErrorGrowth) -> ErrorGrowth:
    """Widths by the likelihood of Student's distribution, then quantiles of the scaled errors.

    made_with   the growth that the forecasts were made with: off their spread it leaves that of the members' rain
    """
    rows = rows[np.isfinite(rows["measured"])]
    terms, error = rows[list(TERMS)].to_numpy(), (rows["measured"] - rows["theta_mean"]).to_numpy()
    grown = made_with.half_width(terms) * made_with.steps(N_MEMBERS).std()
    rest = np.sqrt(np.maximum(rows["sd"].to_numpy() ** 2 - grown**2, 0.0))
    count = rows.groupby(["climate", "layer", "mode"])["measured"].transform("size").to_numpy()
    weight = 1.0 / count**WEIGHT_POWER
    weight = weight / weight.sum()

    def loss(c: np.ndarray) -> tuple[float, np.ndarray]:
        half2 = np.exp(2.0 * np.clip(terms @ c, -9.0, 0.0))
        total2 = half2 + rest**2
        z2 = error**2 / total2
        lost = 0.5 * np.log(total2) + 0.5 * (FREEDOM + 1.0) * np.log1p(z2 / FREEDOM)
        by_width = half2 / total2 * (1.0 - (FREEDOM + 1.0) * z2 / (FREEDOM + z2))
        slope = (weight * by_width) @ terms + 2.0 * RIDGE * np.r_[0.0, c[1:]]
        return float((weight * lost).sum() + RIDGE * (c[1:] ** 2).sum()), slope

    start = np.r_[np.log(0.008), np.zeros(len(TERMS) - 1)]
    scale = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": 500}).x
    at = np.array(PROBABILITY)
    scaled = quantiles(error, np.exp(terms @ scale), rest, weight, TAIL[ground])
    from_middle, centre = np.abs(at - 0.5) / 0.4, CENTRE[ground]
    drawn = np.where(from_middle >= 1.0, 1.0, centre + (1.0 - centre) * from_middle**2)
    # The steps' mean is taken off, so that bias is no part of the spread.
    return ErrorGrowth(scale=scale, probability=at, quantile=scaled * drawn)


def quantiles(error: np.ndarray, half: np.ndarray, rest: np.ndarray, weight: np.ndarray, tail: float) -> np.ndarray:
    """Return the quantiles of errors in half widths at PROBABILITY, the outer tenths cut at `tail`.

    Members' rain widens a band by its own standard deviation, a half width by that of the distribution looked for.
    """
    at = np.interp(PROBABILITY, [0.0, 0.1, 0.5, 0.9, 1.0], [0.0, tail, 0.5, 1.0 - tail, 1.0])
    at[0], at[-1] = 0.003, 0.997
    sd = 1.5
    for _ in range(8):
        scaled = error / np.sqrt(half**2 + (rest / sd) ** 2)
        low, high = quantile(scaled, weight, [0.1, 0.9])
        sd = (high - low) / 2.0 / 1.2816
    return quantile(scaled, weight, at)


def fitted(data: Path, fits: dict, ground: str, pieces: Path, until: float) -> tuple[ErrorGrowth, pd.DataFrame]:
    """Growth of one kind of ground from all stations, and forecasts by tables and growth that did not see them."""

    def rows_of(name: str, growth: Sequence[ErrorGrowth]) -> pd.DataFrame:
        parts = []
        for layer in LAYERS:
            for mode in READINGS:
                piece = pieces / f"{ground}_{name}_{layer}_{mode}.pickle"
                if not piece.exists():
                    if time.monotonic() > until:
                        sys.exit("Time is up: the same command goes on from here.")
                    left_out(data, fits, growth, ground, layer, mode).to_pickle(piece)
                    print(f"{piece.stem} made", flush=True)
                parts.append(pd.read_pickle(piece))
        return pd.concat(parts, ignore_index=True)

    n_folds, growth = len(fits["fits"]), ROUGH
    for k in range(ROUNDS):
        rows, made_with = rows_of(f"round_{k + 1}", [growth] * n_folds), growth
        growth = growth_of(rows, ground, made_with)
    fold = rows["station"].map(fits["folds"])
    unseen = [growth_of(rows[fold != f], ground, made_with) for f in range(n_folds)]
    return growth, rows_of("left_out", unseen)


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


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("data", type=Path)
    options.add_argument("fits", type=Path)
    options.add_argument("--pieces", type=Path, default=Path("growth_pieces"), help="where forecasts are kept at once")
    options.add_argument("--minutes", type=float, default=1e6, help="no forecasts are begun after these")
    options.add_argument("--ground", choices=tuple(TAIL), action="append", help="only this one: the other stays")
    asked = options.parse_args()
    until = time.monotonic() + 60.0 * asked.minutes
    asked.pieces.mkdir(parents=True, exist_ok=True)
    fits = json.loads(asked.fits.read_text(encoding="utf-8"))
    path = Path(error_growth.__file__).with_name("error_growth.json")
    for ground in asked.ground or tuple(TAIL):
        growth, rows = fitted(asked.data, fits, ground, asked.pieces, until)
        kept = json.loads(path.read_text(encoding="utf-8")) | {"terms": list(TERMS)}
        kept["grounds"][ground] = {
            "source": fits["whole"][0]["source"].replace("tests/fit_natural.py", "tests/growth_fit.py"),
            "scale": growth.scale.round(5).tolist(),
            "probability": growth.probability.tolist(),
            "quantile": growth.quantile.round(4).tolist(),
        }
        path.write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")
        print(ground)
        report(rows)


if __name__ == "__main__":
    main()
