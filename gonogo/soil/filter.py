"""How a reading pulls the members: an ensemble Kalman filter that moves water and soil parameters together.

Deterministic square-root form for one observation at a time (Whitaker and Hamill 2002, Mon. Wea. Rev. 130, 1913-1924)
of the ensemble Kalman filter (Evensen 2003, Ocean Dynamics 53, 343-367), with parameters appended to the state.
Correlations that a small ensemble cannot tell from chance are shrunk, and the spread is kept from collapsing by
relaxing to the spread before the reading (Whitaker and Hamill 2012, Mon. Wea. Rev. 140, 3078-3089) and by a floor.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

GATE_SD = 3.0  # readings farther from the members than this many standard deviations lose weight
RELAXATION = 0.3  # share of the lost parameter spread that is given back
SCORE_SD_FLOOR = 0.35  # of the spread before any reading: a strip never stops learning
MOISTURE_SD_FLOOR_PCT = 0.25  # lift mean, after any number of readings: common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Pulled:
    """Result of one reading on each of K strips.

    top_mm, base_mm  (K, M)
    scores           (P, K, M)
    distance_sd      (K,) how far the reading lay from the members, in standard deviations of both together
    weight           (K,) share of the distance that the mean moved, 0 to 1
    """

    top_mm: Floats
    base_mm: Floats
    scores: Floats
    distance_sd: Floats
    weight: Floats


def _spread_again(members: Floats, sd_least: Floats) -> Floats:
    """Return members (..., M) whose standard deviation is at least sd_least (...), around the same mean."""
    mean = members.mean(axis=-1, keepdims=True)
    sd = members.std(axis=-1, ddof=1)
    factor = np.maximum(1.0, sd_least / np.maximum(sd, 1e-12))
    return np.asarray(mean + (members - mean) * factor[..., None])


def pull(
    top_mm: Floats,
    base_mm: Floats,
    scores: Floats,
    *,
    mm_per_pct: Floats,
    w_pct: Floats,
    sd_pct: Floats,
    is_confirmed: npt.NDArray[np.bool_],
    gate_sd: float = GATE_SD,
) -> Pulled:
    """Return the members after one reading of the lift's mean water content on each of K strips.

    top_mm, base_mm  water of the layers (K, M), at least two members
    scores           soil parameters as scores (P, K, M)
    mm_per_pct       water that one per cent stands for in the whole lift (K,) [mm]
    w_pct, sd_pct    reading and standard deviation of its error (K,) [%]
    is_confirmed     (K,) an earlier far-off reading said the same: widen the members instead of doubting the reading
    gate_sd          distance beyond which a reading loses weight, with the fourth power of the distance [-]

    Source: Whitaker and Hamill 2002, eq. 10 to 13 (form from memory). Checked in tests/properties/test_filter.py.
    """
    n_members = top_mm.shape[-1]
    expected = (top_mm + base_mm) / mm_per_pct[:, None]
    mean = expected.mean(axis=-1)
    apart = expected - mean[:, None]
    variance = np.maximum((apart**2).sum(axis=-1) / (n_members - 1), 1e-8)
    error_variance = sd_pct**2
    distance = w_pct - mean
    # A confirmed surprise: the members were wrong together, so their water spreads until the reading is ordinary.
    widen = np.where(is_confirmed, np.maximum(1.0, np.abs(distance) / np.sqrt(variance)), 1.0)
    apart, variance = apart * widen[:, None], variance * widen**2
    distance_sd = np.abs(distance) / np.sqrt(variance + error_variance)
    total = (variance + error_variance) * np.maximum(1.0, distance_sd / gate_sd) ** 4
    weight = variance / total
    shrink = 1.0 / (1.0 + np.sqrt(1.0 - weight))

    def moved(members: Floats, factor: Floats) -> Floats:
        """Return members (K, M) regressed on the reading; factor (K,) stretches their own deviations first."""
        own_mean = members.mean(axis=-1, keepdims=True)
        own = (members - own_mean) * factor[:, None]
        covariance = (own * apart).sum(axis=-1) / (n_members - 1)
        own_variance = (own**2).sum(axis=-1) / (n_members - 1)
        correlation2 = covariance**2 / np.maximum(variance * own_variance, 1e-30)
        # Positive-part shrinkage: a squared correlation below 1 / (M - 1) is what chance alone gives.
        trusted = np.maximum(0.0, 1.0 - 1.0 / np.maximum((n_members - 1) * correlation2, 1e-12))
        gain = trusted * covariance / total
        return np.asarray(own_mean + own + (gain * distance)[:, None] - (gain * shrink)[:, None] * apart)

    top, base = moved(top_mm, widen), moved(base_mm, widen)
    ones = np.ones_like(widen)
    new_scores = np.empty_like(scores)
    for p, before in enumerate(scores):
        after = moved(before, ones)
        sd_before, sd_after = before.std(axis=-1, ddof=1), after.std(axis=-1, ddof=1)
        least = np.maximum(sd_after + RELAXATION * (sd_before - sd_after), np.minimum(SCORE_SD_FLOOR, sd_before))
        new_scores[p] = _spread_again(after, least)
    # The floor of the lift's spread: both layers stretch alike.
    sd = ((top + base) / mm_per_pct[:, None]).std(axis=-1, ddof=1)
    stretch = np.maximum(1.0, MOISTURE_SD_FLOOR_PCT / np.maximum(sd, 1e-9))
    stretch = np.where(sd > 1e-6, stretch, 1.0)[:, None]
    top_mean, base_mean = top.mean(axis=-1, keepdims=True), base.mean(axis=-1, keepdims=True)
    return Pulled(
        top_mm=top_mean + (top - top_mean) * stretch,
        base_mm=base_mean + (base - base_mean) * stretch,
        scores=new_scores,
        distance_sd=distance_sd,
        weight=weight,
    )
