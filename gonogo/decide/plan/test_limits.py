"""Between which results of one test a lift is inside its window as likely as the site asks."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np

from gonogo.decide.inputs import Floats
from gonogo.records.site import Material
from gonogo.soil.readings import METHOD_ERROR_PCT, SPOT_SCATTER_PCT

TEST_ERROR_PCT = math.hypot(METHOD_ERROR_PCT["nuclear gauge"], SPOT_SCATTER_PCT)
STEP_PCT = 0.05
LEAST_SD_PCT = TEST_ERROR_PCT  # what was thought before is never trusted more than the test itself


def limits_pct(
    material: Material,
    chance_needed: float,
    before: tuple[float, float] | None = None,
    drift_pct: float = 0.0,
    n_tests: int = 1,
) -> tuple[float, float]:
    """Return the lowest and the highest result of one gauge test, or mean of several, that releases a lift [%].

    before     mean and standard deviation of what was thought of the lift before the test, None = nothing
    drift_pct  by how much its moisture moves between the test and the last pass [% points]

    The result alone has to be likely enough, and so has the result weighed with what was thought before (Bayes' rule
    for two normal distributions): a forecast takes nothing off what is asked of a test. Neither limit lies more than a
    quarter of the window inside it, so that a narrow window keeps a middle.
    """
    low, high = material.omc_pct + material.window_low_pct, material.omc_pct + material.window_high_pct
    results = np.arange(low, high + 0.5 * STEP_PCT, STEP_PCT)
    edges = low - min(drift_pct, 0.0), high - max(drift_pct, 0.0)
    chances = np.minimum(
        chances_inside(results, *edges, None, n_tests), chances_inside(results, *edges, before, n_tests)
    )
    chance = min(max(chance_needed, 0.5), 0.99) if math.isfinite(chance_needed) else 0.99
    good = results[chances >= chance]
    most = 0.25 * (high - low)
    if not len(good):
        return low + most, high - most
    return min(float(good[0]), low + most), max(float(good[-1]), high - most)


def chances_inside(
    results_pct: Floats, low_pct: float, high_pct: float, before: tuple[float, float] | None, n_tests: int = 1
) -> Floats:
    """Return the chance that a lift lies between two contents after each result, like results_pct.

    n_tests   of one gauge test, or of the mean of so many on spots of their own
    """
    error_pct = TEST_ERROR_PCT / math.sqrt(n_tests)
    means, sd = results_pct, error_pct
    if before is not None and all(map(math.isfinite, before)):
        prior_sd = max(before[1], LEAST_SD_PCT)
        share = prior_sd**2 / (prior_sd**2 + error_pct**2)
        means, sd = share * results_pct + (1.0 - share) * before[0], math.sqrt(share) * error_pct
    below = NormalDist(0.0, sd)
    return np.array([below.cdf(high_pct - m) - below.cdf(low_pct - m) for m in means.tolist()])


def arrival_sd_pct(mean_pct: float, low_pct: float, high_pct: float, chance_inside: float) -> float:
    """Return the spread at which fresh lifts arrive [% points], from how often they arrive inside their window.

    mean_pct        of the borrow [%]; where it lies outside the window, or the chance is no chance, half the window
    """
    if not (low_pct < mean_pct < high_pct and 0.0 < chance_inside < 1.0):
        return 0.5 * (high_pct - low_pct)
    least, most = 1e-3, 10.0 * (high_pct - low_pct)
    for _ in range(50):
        middle = 0.5 * (least + most)
        arrives = NormalDist(mean_pct, middle)
        if arrives.cdf(high_pct) - arrives.cdf(low_pct) > chance_inside:
            least = middle
        else:
            most = middle
    return 0.5 * (least + most)
