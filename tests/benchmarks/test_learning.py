"""What learning from earlier readings brings on measured soil, by the way of learning. On demand:

    pytest tests/benchmarks/test_learning.py -s

Weekly readings, 0-150 mm, the shipped table. `smoother`: what the backtest does, contents regressed on all pairs of
readings at once. `filter`: what the product does, soil/filter.py reading by reading, the soil's parameters carried on
(what is stored with a strip) and marched again. `parameters`: the smoother's parameters marched again.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from backtest_builders import MEASURED, WHY_NOT

from gonogo.backtest import folder, forecast, population
from gonogo.backtest.daily import days
from gonogo.backtest.starts import Starts, joined, starts
from gonogo.soil.filter import pull
from gonogo.soil.smoother import taught

LEADS = (1, 3, 5, 10)
LAYER = folder.LAYERS["0-150mm"]
N_MEMBERS = 100


@pytest.mark.skipif(not MEASURED.is_dir(), reason=WHY_NOT)
@pytest.mark.benchmark(group="backtest")
def test_ways_of_learning(benchmark: Any) -> None:
    of, counts = measured_starts()
    table = population.shipped()
    means = {
        "none": forecast.moments(of, table, "first")[0],
        "smoother": benchmark.pedantic(lambda: forecast.moments(of, table, "weekly")[0], rounds=1),
        "filter": by_filter(of, table),
        "parameters": by_parameters(of, table),
    }
    found = {name: shares(of, mean, counts) for name, mean in means.items()}
    for name, row in found.items():
        print(f"\n{name:<11}" + "  ".join(f"{lead} d {share:.3f}" for lead, share in row.items()), end="")
        benchmark.extra_info[name] = {lead: round(share, 3) for lead, share in row.items()}
    # The product's filter learns as much as parameters can carry, and every way of learning beats none.
    for lead in LEADS:
        assert found["filter"][lead] <= found["parameters"][lead] + 0.015
        assert max(found[name][lead] for name in ("smoother", "filter", "parameters")) < found["none"][lead]


def measured_starts() -> tuple[Starts, np.ndarray]:
    """Return the starts on reading days, and which of them count: after eight readings, in fit weather."""
    known = folder.stations(MEASURED)
    parts, counts = [], []
    for run, path in enumerate(folder.files(MEASURED, known)):
        station = known[path.stem.rpartition("_")[0]]
        one = folder.read(path, station, LAYER)
        fit = folder.fit_days(one.day, one.weather)
        if not station.is_scored or (fit & np.isfinite(one.theta)).sum() < 120:
            continue
        parts.append(starts(one, days(one), run=run))
        late = np.isin(parts[-1].day, one.readings[8:])
        counts.append(late & np.array([fit[d : d + 11].all() for d in parts[-1].day]))
    return joined(parts), np.concatenate(counts)


def shares(of: Starts, mean: np.ndarray, counts: np.ndarray) -> dict[int, float]:
    """Return the error over that of no change by lead, each station alike."""
    out = {}
    for lead in LEADS:
        truth = of.measured[:, lead - 1]
        some = counts & np.isfinite(truth)
        square = {"told": (mean[lead - 1] - truth) ** 2, "still": (of.theta - truth) ** 2}
        rmse = {
            name: np.sqrt(np.mean([s[some & (of.station == k)].mean() for k in np.unique(of.station[some])]))
            for name, s in square.items()
        }
        out[lead] = float(rmse["told"] / rmse["still"])
    return out


def by_filter(of: Starts, table: population.Population) -> np.ndarray:
    """Return the forecasts of a square-root filter that carries parameters from reading to reading."""
    first = table.deviations(N_MEMBERS)
    sd = np.sqrt(np.diag(table.covariance))[:, None]
    error, timing = forecast.error_sd(of), forecast._day_timing(of, N_MEMBERS)
    mean = np.zeros((10, len(of)))
    for run in np.unique(of.run):
        scores = (first / sd)[:, None, :].copy()
        for i in np.flatnonzero(of.run == run):
            one = of.only(np.array([i]))
            drawn = population.members(table, one, deviations=scores[:, 0] * sd, day_timing=timing[[i]])[:, 0]
            mean[:, i] = drawn.mean(axis=1)
            if of.days_to_next[i]:
                seen = drawn[of.days_to_next[i] - 1][None]
                moved = pull(
                    100.0 * seen,
                    np.zeros_like(seen),
                    scores,
                    mm_per_pct=np.array([1.0]),
                    w_pct=np.array([100.0 * of.theta_next[i]]),
                    sd_pct=np.array([100.0 * error[i]]),
                    is_confirmed=np.array([False]),
                )
                scores = np.clip(moved.scores, -3.0, 3.0)
    return mean


def by_parameters(of: Starts, table: population.Population) -> np.ndarray:
    """Return the forecasts of members whose parameters the smoother has set."""
    first = table.deviations(N_MEMBERS)
    error, timing = forecast.error_sd(of), forecast._day_timing(of, N_MEMBERS)
    drawn = population.members(table, of, deviations=first, day_timing=timing)
    mean = np.zeros((10, len(of)))
    for run in np.unique(of.run):
        own = np.flatnonzero(of.run == run)
        for i in own:
            pairs = own[(of.days_to_next[own] > 0) & (of.day[own] + of.days_to_next[own] <= of.day[i])]
            middle, variance = taught(
                first, drawn[of.days_to_next[pairs] - 1, pairs], of.theta_next[pairs], error[pairs]
            )
            spread = np.sqrt(variance / first.var(axis=1, ddof=1))[:, None]
            away = middle[:, None] + (first - first.mean(axis=1, keepdims=True)) * spread
            one = of.only(np.array([i]))
            mean[:, i] = population.members(table, one, deviations=away, day_timing=timing[[i]])[:, 0].mean(axis=1)
    return mean
