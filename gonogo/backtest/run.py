"""A whole folder forecast again, in parallel over its stations, and written as one CSV file."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from gonogo.backtest import folder
from gonogo.backtest.forecast import HORIZON, N_MEMBERS, READINGS, forecasts
from gonogo.backtest.hours import hours
from gonogo.backtest.report import Backtest
from gonogo.config.settings import setting_rows
from gonogo.errors import ConfigError, Fault
from gonogo.soil.ground import NATURAL, SCORE_NAMES

COLUMNS = ("station", "issued", "lead_days", "theta_mean", "theta_p10", "theta_p90", "gap_days")
DECIMALS = 6
USUAL_READINGS = 9  # of which the middle stands for optimum, as in the published task
HALF_WINDOW = 0.03  # m3/m3: 2 points of water content at a dry density of 1.5 t/m3

Floats = npt.NDArray[np.float64]


def backtest(
    data: Path,
    *,
    layer: str,
    readings: str,
    out: Path,
    ground: str = NATURAL,
    say: Callable[[str], None] = lambda _: None,
    n_processes: int | None = None,
) -> Backtest:
    """Forecast from every reading day of every station-year of a folder, write the file, and return what was found.

    layer       a key of folder.LAYERS
    readings    "weekly" or "first": readings up to the issue day, or the issue day's own alone
    ground      "natural" or "fill": what the stations are taken for
    say         told the name of each station that is done
    n_processes   stations at a time, None for as many as the machine has processors; changes no digit

    Raises ConfigError for a folder or file that cannot be read; then nothing is written.
    """
    _require_one_of("--layer", layer, tuple(folder.LAYERS))
    _require_one_of("--readings", readings, READINGS)
    _require_one_of("--ground", ground, tuple(SCORE_NAMES))
    if not out.parent.is_dir():
        wrong, right = "no such folder.", "Make it first, or write elsewhere."
        raise ConfigError([Fault(place="command line", key="--out", value=str(out), wrong=wrong, right=right)])
    known = folder.stations(data)
    by_station: dict[str, list[Path]] = {}
    for path in folder.having(folder.files(data, known), folder.LAYERS[layer]):
        by_station.setdefault(path.stem.rpartition("_")[0], []).append(path)
    work = [(paths, known[name], layer, readings, ground) for name, paths in by_station.items()]
    done: dict[str, tuple[pd.DataFrame, pd.DataFrame]] = {}
    for name, rows in _each(work, n_processes):
        done[name] = rows
        say(name)
    stations = [done[name] for name in sorted(done) if len(done[name][0])]
    table, measured = (pd.concat([parts[k] for parts in stations or done.values()], ignore_index=True) for k in (0, 1))
    table.to_csv(out, index=False, float_format=f"%.{DECIMALS}f", lineterminator="\n")
    n_starts, n_gaps = len(table) // HORIZON, int((table["gap_days"] > 0).sum()) // HORIZON
    of = {"weekly": "weekly readings", "first": "one reading each"}[readings]
    return Backtest(
        subject=f"{len(by_station)} stations of {data.name or data}, layer {layer}, {of}, taken for {ground} ground",
        done=(
            f"{n_starts} forecasts from {len(by_station)} stations, {len(table)} rows in {out}.",
            f"{n_gaps} forecasts saw weather with gaps, filled from earlier days (column gap_days).",
        ),
        rows=measured.assign(**{c: table[c] for c in COLUMNS if c.startswith("theta_")}),
        unit="m3/m3",
        decimals=4,
        window=f"within {HALF_WINDOW} m3/m3 of the station's usual content",
    )


def n_stations(data: Path) -> int:
    """Return how many stations of a folder have files."""
    return len({path.stem.rpartition("_")[0] for path in folder.files(data, folder.stations(data))})


def station(
    paths: Sequence[Path],
    of: folder.Station,
    layer: str,
    readings: str,
    ground: str,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the rows of one station in the order of COLUMNS, and what was measured on the same days."""
    parts, truth = [], []
    settings = {name: row.value for name, row in setting_rows().items()}
    for path in paths:
        station = folder.read(path, of, folder.LAYERS[layer])
        if not len(station.day):
            continue
        begun = forecasts(station, hours(station, N_MEMBERS), readings, ground=ground, settings=settings)
        issued = np.repeat(station.day[begun.day].astype(str), HORIZON)
        theta = station.theta[begun.day]
        ahead = begun.day[:, None] + np.arange(1, HORIZON + 1)
        parts.append(
            pd.DataFrame(
                {
                    "station": of.id,
                    "issued": issued,
                    "lead_days": np.tile(np.arange(1, HORIZON + 1), len(begun.day)),
                    "theta_mean": begun.mean.ravel(),
                    "theta_p10": begun.p10.ravel(),
                    "theta_p90": begun.p90.ravel(),
                    "gap_days": np.repeat(begun.gap_days, HORIZON),
                }
            ).round(DECIMALS)
        )
        truth.append(
            pd.DataFrame(
                {
                    "station": of.id,
                    "climate": of.climate,
                    "month": np.repeat(_month(station.day[begun.day]), HORIZON),
                    "lead_days": parts[-1]["lead_days"],
                    "reading": np.repeat(theta, HORIZON),
                    "measured": station.theta[ahead].ravel() if of.is_scored else np.nan,
                    **_window(station.theta[station.readings], begun.members),
                }
            )
        )
    if not parts:
        return pd.DataFrame(columns=list(COLUMNS)), pd.DataFrame(columns=["measured"])
    return pd.concat(parts, ignore_index=True), pd.concat(truth, ignore_index=True)


def _window(read: Floats, members: Floats) -> dict[str, Floats | float]:
    """A window as wide as a lift's around the station's usual content, and the chance of lying in it."""
    middle = float(np.median(read[:USUAL_READINGS])) if read.size else np.nan
    inside = np.abs(members - middle) <= HALF_WINDOW
    return {"low": middle - HALF_WINDOW, "high": middle + HALF_WINDOW, "chance": inside.mean(axis=-1).ravel()}


def _month(day: npt.NDArray[np.datetime64]) -> npt.NDArray[np.int64]:
    """The month of each day, 1 to 12."""
    return day.astype("datetime64[M]").astype(np.int64) % 12 + 1


def _each(
    work: Sequence[tuple[list[Path], folder.Station, str, str, str]], n_processes: int | None
) -> Iterator[tuple[str, tuple[pd.DataFrame, pd.DataFrame]]]:
    """Give the stations as they are done."""
    n = min(len(work), n_processes or os.cpu_count() or 1)
    if n == 1:
        for task in work:
            yield task[1].id, station(*task)
        return
    # Fresh processes: a copy of this one would inherit its threads.
    with _one_thread_each(), ProcessPoolExecutor(n, mp_context=multiprocessing.get_context("spawn")) as pool:
        running = {pool.submit(station, *task): task[1].id for task in work}
        for finished in as_completed(running):
            yield running[finished], finished.result()


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Tell the processes to come to do their linear algebra in one thread: there are as many of them as processors."""
    names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")
    before = {name: os.environ.get(name) for name in names}
    os.environ.update(dict.fromkeys(names, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _require_one_of(key: str, value: str, right: tuple[str, ...]) -> None:
    if value not in right:
        wrong = "no such choice."
        either = f"Write one of: {', '.join(right)}."
        raise ConfigError([Fault(place="command line", key=key, value=value, wrong=wrong, right=either)])
