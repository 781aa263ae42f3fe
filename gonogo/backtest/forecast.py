"""Forecasts from the readings of a station-year: members learn from the pairs before, and a band is put around them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from gonogo.backtest.population import Population, members
from gonogo.backtest.starts import HORIZON, Starts
from gonogo.soil.smoother import taught

Floats = npt.NDArray[np.float64]

READINGS = ("weekly", "first")  # all readings up to the issue day, or the issue day's own alone
N_MEMBERS = 100
TIMING_SEED = 7
# Standard deviation of what a march still misses after learning [m3/m3]: grows with content and rain. Fitted with the
# table on the same stations.
ERROR_SCALE = 1.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """Contents of the ten days after each start (HORIZON, N) [m3/m3]: mean and the ends of the 10-90 % band."""

    mean: Floats = field(repr=False)
    p10: Floats = field(repr=False)
    p90: Floats = field(repr=False)


def forecasts(of: Starts, table: Population, readings: str, *, n_members: int = N_MEMBERS) -> Forecast:
    """Return the forecasts of the starts of one station-year, oldest first; each looks back and never ahead."""
    mean, variance = moments(of, table, readings, n_members=n_members)
    low, high = band(of, mean, variance, table.spread[readings])
    return Forecast(mean=mean, p10=low, p90=high)


def moments(of: Starts, table: Population, readings: str, *, n_members: int = N_MEMBERS) -> tuple[Floats, Floats]:
    """Return mean and variance (HORIZON, N) of the members, taught by the pairs of readings before each start."""
    drawn = members(table, of, deviations=table.deviations(n_members), day_timing=_day_timing(of, n_members))
    mean, variance = drawn.mean(axis=2), drawn.var(axis=2, ddof=1)
    if readings == "first":
        return mean, variance
    error = error_sd(of)
    lead = of.days_to_next - 1
    for run in np.unique(of.run):
        own = np.flatnonzero(of.run == run)
        for i in own:
            # A pair counts from the day on which its second reading was taken.
            pairs = own[(of.days_to_next[own] > 0) & (of.day[own] + of.days_to_next[own] <= of.day[i])]
            if pairs.size:
                mean[:, i], variance[:, i] = taught(
                    drawn[:, i], drawn[lead[pairs], pairs], of.theta_next[pairs], error[pairs]
                )
    return mean, variance


def error_sd(of: Starts) -> Floats:
    """Return the standard deviation of what a march of a week still misses after learning (N,) [m3/m3]."""
    rain = np.minimum(of.water_mm[:, 1:8].sum(axis=1), 60.0)
    return np.asarray(ERROR_SCALE * (0.004 + 0.03 * of.theta + 0.0004 * rain * np.clip(of.theta / 0.25, 0.3, 1.2)))


def _day_timing(of: Starts, n_members: int) -> Floats:
    """Draws (N, D, M) of how the timing of rain differs from day to day: a calendar day has one draw a member."""
    last = int(of.day.max()) + HORIZON + 1 if len(of) else 0
    draws = np.random.default_rng(TIMING_SEED).standard_normal((max(last, 1), n_members))
    draws -= draws.mean(axis=1, keepdims=True)
    return np.asarray(draws[of.day[:, None] + np.arange(HORIZON + 1)])


# --- the band ------------------------------------------------------------------------------------------------


def spread_terms(of: Starts, variance: Floats) -> Floats:
    """Return what the width of the band depends on, (HORIZON, N, terms)."""
    rain = np.cumsum(of.water_mm[:, 1:], axis=1).T
    log_lead = np.log(np.arange(1, HORIZON + 1))[:, None, None]
    shape = rain.shape
    of_day = np.stack(
        [
            np.ones(shape),
            np.log(np.sqrt(variance) + 0.0015),
            np.broadcast_to(np.log(of.theta + 0.01), shape),
            np.log1p(rain),
        ],
        axis=2,
    )
    thickness, content = np.log(of.thickness_mm / 150.0), np.log(of.theta + 0.01) ** 2
    of_start = np.stack([np.broadcast_to(thickness, shape), np.broadcast_to(content, shape)], axis=2)
    return np.concatenate([of_day, of_start, of_day * log_lead], axis=2)


def band(of: Starts, mean: Floats, variance: Floats, constants: Mapping[str, Floats]) -> tuple[Floats, Floats]:
    """Return the ends of the 10-90 % band: quantiles of measured errors, stretched by what these grow with."""
    half = np.exp(spread_terms(of, variance) @ constants["scale"])
    low = mean + constants["quantiles"][:, :1] * half
    return np.maximum(low, 0.0), mean + constants["quantiles"][:, 1:] * half
