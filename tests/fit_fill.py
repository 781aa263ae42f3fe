"""Pick the numbers that fill starts from where nobody recorded how it came to lie, on measured soil, by folds.

    python tests/fit_fill.py DATA_FOLDER TABLE.csv [--minutes 5] [--folds 5]

DATA_FOLDER is one of the U.S. Climate Reference Network as tests/fit_natural.py takes it. Candidates are the shipped
numbers with one of them halved, doubled or moved as MOVES says, then with the moves together that helped. Each is
scored as `gonogo backtest --ground fill` forecasts: the mean over LEADS of the logarithm of the error against
"no change", with weekly readings and with one alone. TABLE.csv keeps the squared errors of each candidate, station and
lead: a run goes on where the last one stopped after so many minutes. What is printed: each candidate's score on all
stations, and what the pick of the other folds does on stations that had no say in it. The winner is written into
gonogo/soil/strip.py by hand; then `python tests/growth_fit.py` fits the growth of its errors.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pandas as pd
from fit_natural import fold_of
from growth_fit import NETWORK, WARM_UP, settings

from gonogo.backtest import folder, hours
from gonogo.backtest.forecast import HORIZON, READINGS, forecasts
from gonogo.soil import ground, strip

LAYER, LEADS, N_MEMBERS = "0-150mm", (1, 3, 5, 10), 30
MOST_YEARS = 2  # of one station: none outweighs the others by its run time
# Numbers of gonogo/soil/strip.py by name; "spread" ones are of rows of LEARNABLE. Each is tried times these.
MOVES: dict[str, tuple[float, ...]] = {
    "LONG_LAID_EVAPORATION": (0.7, 1.4),
    "LONG_LAID_BELOW_FRAC_H": (0.1, 0.25, 0.5, 2.0),
    "LONG_LAID_SHARED_DEPTH": (0.25, 0.5, 1.6),
    "spread theta_fc": (0.5, 1.6),
    "spread evaporation_factor": (0.6, 1.6),
    "spread below_frac_h": (0.5, 1.6),
    "spread shared_depth": (0.5, 2.0),
    "spread below_theta": (0.5, 2.0),
    "spread base_drainage_frac_h": (0.5,),
}


ROWS = dict(strip.LEARNABLE)
NUMBERS = {name: getattr(strip, name) for name in MOVES if not name.startswith("spread ")}


def placed(moves: Mapping[str, float]) -> None:
    """Put factors on the shipped numbers into force, in this process alone."""
    for name in MOVES:
        factor = moves.get(name, 1.0)
        if name in NUMBERS:
            setattr(strip, name, NUMBERS[name] * factor)
        else:
            row = name.removeprefix("spread ")
            strip.LEARNABLE[row] = replace(ROWS[row], spread=ROWS[row].spread * factor)


def errors(data: Path, name: str, moves: Mapping[str, float]) -> pd.DataFrame:
    """Mean squared errors of a station's scored forecasts, and of no change, by lead."""
    placed(moves)
    known = folder.stations(data)[name]
    rows = []
    for path in sorted(data.glob(f"{name}_*.csv"))[-MOST_YEARS:]:
        year = folder.read(path, known, folder.LAYERS[LAYER])
        fine = folder.fit_days(year.day, year.weather)
        if (fine & np.isfinite(year.theta)).sum() < 120:
            continue
        of = hours.hours(year, N_MEMBERS)
        for mode in READINGS:
            told = forecasts(year, of, mode, ground=ground.FILL, settings=settings())
            counts = np.isin(told.day, year.readings[WARM_UP:])
            counts &= np.array([fine[d : d + HORIZON + 1].all() for d in told.day])
            for lead in LEADS:
                measured, read = year.theta[told.day[counts] + lead], year.theta[told.day[counts]]
                error, still = (told.mean[counts, lead - 1] - measured) ** 2, (read - measured) ** 2
                rows += [(name, mode, lead, e, s) for e, s in zip(error, still, strict=True) if np.isfinite(e)]
    table = pd.DataFrame(rows, columns=["station", "mode", "lead_days", "error", "still"])
    return table.groupby(["station", "mode", "lead_days"], as_index=False).mean()


def shares(table: pd.DataFrame) -> pd.Series[float]:
    """Error against no change by use of readings and lead, each station alike."""
    mean = table.groupby(["mode", "lead_days"])[["error", "still"]].mean()
    return np.sqrt(mean["error"] / mean["still"])


def score(table: pd.DataFrame) -> float:
    """Mean over uses of readings and leads of the logarithm of error against no change."""
    return float(np.log(shares(table)).mean())


def shown(table: pd.DataFrame) -> str:
    found = shares(table)
    return "; ".join(f"{mode} {' / '.join(f'{found[mode, k]:.3f}' for k in LEADS)}" for mode in READINGS)


def named(moves: Mapping[str, float]) -> str:
    return "; ".join(f"{name} x {factor:g}" for name, factor in sorted(moves.items())) or "shipped"


def candidates(done: Mapping[str, float]) -> list[dict[str, float]]:
    """Return what to try next: the shipped numbers, each move alone, then the moves that helped, added one by one."""
    alone = [{}, *({name: factor} for name, factors in MOVES.items() for factor in factors)]
    left = [moves for moves in alone if named(moves) not in done]
    if left:
        return left
    best: dict[str, tuple[float, float]] = {}
    for name, factors in MOVES.items():
        gain, factor = min((done[named({name: f})] - done["shipped"], f) for f in factors)
        if gain < 0.0:
            best[name] = (gain, factor)
    together: dict[str, float] = {}
    least = done["shipped"]
    for name in sorted(best, key=lambda n: best[n]):
        further = {**together, name: best[name][1]}
        if named(further) not in done:
            return [further]
        if done[named(further)] < least:
            together, least = further, done[named(further)]
    return []


def report(table: pd.DataFrame, folds: Mapping[str, int]) -> None:
    """Print every candidate, and the errors of the picks on stations that had no say in them."""
    fold = table["station"].map(folds)
    for name, some in table.groupby("candidate", sort=False):
        print(f"{score(some):+.4f}  {shown(some)}  {name}")
    left_out = []
    for f in sorted(set(folds.values())):
        of_others = table[fold != f]
        pick = min(of_others["candidate"].unique(), key=lambda c: score(of_others[of_others["candidate"] == c]))
        print(f"fold {f}: picks {pick}")
        left_out.append(table[(fold == f) & (table["candidate"] == pick)])
    print("left out:", shown(pd.concat(left_out)))


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("data", type=Path)
    options.add_argument("table", type=Path)
    options.add_argument("--folds", type=int, default=5)
    options.add_argument("--minutes", type=float, default=1e6)
    asked = options.parse_args()
    until = time.monotonic() + 60.0 * asked.minutes
    folds = {name: fold for name, fold in fold_of(asked.data, asked.folds).items() if name.startswith(NETWORK)}
    table = pd.read_csv(asked.table) if asked.table.exists() else pd.DataFrame(columns=["candidate"])
    while time.monotonic() < until:
        done = {str(name): score(some) for name, some in table.groupby("candidate")}
        moves = next(iter(candidates(done)), None)
        if moves is None:
            break
        with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
            parts = list(pool.map(_call, [(asked.data, name, moves) for name in sorted(folds)]))
        table = pd.concat([table, pd.concat(parts).assign(candidate=named(moves))], ignore_index=True)
        table.to_csv(asked.table, index=False)
        print(f"{score(table[table['candidate'] == named(moves)]):+.4f}  {named(moves)}", flush=True)
    report(table, folds)


def _call(given: tuple[Path, str, dict[str, float]]) -> pd.DataFrame:
    return errors(*given)


if __name__ == "__main__":
    main()
