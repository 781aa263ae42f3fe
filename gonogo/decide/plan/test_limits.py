"""Which results of a test release a lift, which ask for a second test, and what the mean of both then says."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from gonogo.decide.inputs import Floats
from gonogo.decide.lift_state import middle_half_pct
from gonogo.records.site import Material
from gonogo.soil.readings import GAUGE_ERROR_PCT

STEP_PCT = 0.05
LEAST_SD_PCT = GAUGE_ERROR_PCT  # what was thought before is never trusted more than the test itself


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Limits of a test's result [%].

    low_pct, high_pct              between them one result releases the lift
    mean_low_pct, mean_high_pct    between them the mean of two does
    again_low_pct, again_high_pct  what lies between these and a limit of one result is tested once more; these and the
                                   mean's NaN where one result decides
    damp_low_pct                   what lies between this and the limit of one result is inside, but at the dry edge: by
                                   the difference the lift is damped, and rolled
    """

    low_pct: float
    high_pct: float
    mean_low_pct: float
    mean_high_pct: float
    again_low_pct: float
    again_high_pct: float
    damp_low_pct: float


def limits(
    material: Material,
    chance_needed: float,
    before: tuple[float, float] | None = None,
    drift_pct: float = 0.0,
    *,
    worth_chance: float = math.nan,
    is_again: bool = False,
) -> Limits:
    """Return all limits of a test; before and drift_pct as in limits_pct.

    worth_chance   from this chance of lying inside on, a lift below its window is tested once more before water goes on
                   it; NaN where no water would
    is_again       the lift failed before, or was broken up: see middle_half_pct
    """
    if is_again:  # what its one test does not release is watered or disked: a second one would not say more
        low, high = _in_tenths(*middle_half_pct(material))
        return Limits(
            low_pct=low,
            high_pct=high,
            mean_low_pct=math.nan,
            mean_high_pct=math.nan,
            again_low_pct=math.nan,
            again_high_pct=math.nan,
            damp_low_pct=low,
        )
    low, high = limits_pct(material, chance_needed, before, drift_pct)
    mean_low, mean_high = limits_pct(material, chance_needed, before, drift_pct, n_tests=2)
    dry, wet = material.omc_pct + material.window_low_pct, material.omc_pct + material.window_high_pct
    low, high = _in_tenths(low, high)
    mean_low, mean_high = _in_tenths(min(mean_low, low), max(mean_high, high))
    return Limits(
        low_pct=low,
        high_pct=high,
        mean_low_pct=mean_low,
        mean_high_pct=mean_high,
        again_low_pct=min(_lowest_worth(dry, wet, before, worth_chance), mean_low),
        again_high_pct=wet,
        damp_low_pct=min(_in_tenths(dry, wet)[0], mean_low),
    )


def _in_tenths(low_pct: float, high_pct: float) -> tuple[float, float]:
    """Return limits as they are read and printed, never wider than they are; unchanged where no tenth lies between."""
    low, high = math.ceil(10.0 * low_pct - 1e-6) / 10.0, math.floor(10.0 * high_pct + 1e-6) / 10.0
    return (low, high) if low <= high else (low_pct, high_pct)


def _lowest_worth(low_pct: float, high_pct: float, before: tuple[float, float] | None, worth_chance: float) -> float:
    """Return the lowest result that leaves a lift a chance of lying inside; the edge itself where none does."""
    if math.isnan(worth_chance):
        return low_pct
    results = np.arange(low_pct - 0.25 * (high_pct - low_pct), low_pct + 0.5 * STEP_PCT, STEP_PCT)
    likely = np.minimum(
        chances_inside(results, low_pct, high_pct, None), chances_inside(results, low_pct, high_pct, before)
    )
    worth = results[likely >= worth_chance]
    return min(math.ceil(10.0 * float(worth[0]) - 1e-6) / 10.0, low_pct) if len(worth) else low_pct


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
    error_pct = GAUGE_ERROR_PCT / math.sqrt(n_tests)
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
