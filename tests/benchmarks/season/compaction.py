"""What rolling makes of a lift, and what tests say of it."""

from __future__ import annotations

import math

from benchmarks.season.draws import draws
from benchmarks.season.place import Lot, Place

PASSES = 6  # full coverages that the specification asks for; every crew rolls them
BEST_PCT, LOST_AT_EDGE_PCT = 100.8, 5.1  # relative compaction at optimum, and what is lost at either edge
REQUIRED_PCT = 95.0
DENSITY_TEST_SD_PCT = 0.6
GAUGE_SD_PCT = 0.6  # of one moisture test by nuclear gauge; with the spot it stands for
SPOT_SD_PCT = 0.5


def relative_compaction_pct(lot: Lot, halves_pct: tuple[float, float], passes: float) -> float:
    """Return what a lift reaches [% of the maximum]: each half loses with the square of its distance from optimum.

    passes   full coverages; the last ones bring little
    """
    optimum = lot.kind.optimum_pct + lot.optimum_off_pct
    lost = sum(((half - optimum) / lot.kind.half_window) ** 2 for half in halves_pct) / 2.0
    return BEST_PCT - LOST_AT_EDGE_PCT * lost - 9.0 * math.exp(-passes / 1.6)


def is_dense(place: Place, lot: Lot, lift: int, attempt: int, true_pct: float) -> bool:
    """Whether the density test of a rolled lift passes."""
    return found_pct(place, lot, lift, attempt, true_pct) >= REQUIRED_PCT


def found_pct(place: Place, lot: Lot, lift: int, attempt: int, true_pct: float) -> float:
    """Return what the density test of a rolled lift finds [% of the maximum]."""
    error = draws(place.seed, "density", lot.id, lift, attempt).normal(0.0, DENSITY_TEST_SD_PCT)
    return true_pct + float(error)


def gauge_pct(place: Place, lot: Lot, lift: int, n_before: int, true_pct: float) -> float:
    """Return a moisture test by gauge [%]: the gauge's own offset, its scatter, and the spot it happened to hit."""
    rng = draws(place.seed, "gauge", lot.id, lift, n_before)
    sd = math.hypot(GAUGE_SD_PCT, SPOT_SD_PCT)
    return round(true_pct + place.gauge_off_pct + float(rng.normal(0.0, sd)), 1)
