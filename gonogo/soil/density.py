"""A density test against its laboratory curve, and what passes of the roller have brought so far."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gonogo.soil.compaction import air_voids_pct, relative_compaction_pct, require_below_zav, saturation_pct

TESTS_FOR_GROWTH = 4  # fewer say nothing of how density grows with passes: our own choice


@dataclass(frozen=True, slots=True, kw_only=True)
class DensityResult:
    """What a density test comes to, all in per cent.

    compaction_pct   dry density over the laboratory maximum, to one decimal, as it is reported
    air_voids_pct    air over total volume; saturation_pct  water over pores
    """

    compaction_pct: float
    air_voids_pct: float
    saturation_pct: float


def density_result(
    w_pct: float, dry_density_kg_m3: float, *, mdd_kg_m3: float, specific_gravity: float
) -> DensityResult:
    """Return what a density test comes to.

    w_pct, dry_density_kg_m3   of the same spot [% of dry mass, kg/m3]

    Raises SoilError above 105 % compaction and above the zero-air-voids line: such a test is wrong.
    Source: phase identities. Checked in tests/published/phase_relations.toml.
    """
    require_below_zav(w_pct, dry_density_kg_m3, specific_gravity)
    return DensityResult(
        compaction_pct=round(relative_compaction_pct(dry_density_kg_m3, mdd_kg_m3), 1),
        air_voids_pct=float(air_voids_pct(w_pct, dry_density_kg_m3, specific_gravity)),
        saturation_pct=float(saturation_pct(w_pct, dry_density_kg_m3, specific_gravity)),
    )


def growth_pct(passes: Sequence[float], compaction_pct: Sequence[float]) -> float:
    """Return what compaction gains from e times the passes [% points], NaN where the record does not say.

    passes, compaction_pct   of the site's own density tests of one material under one roller

    Density grows with the logarithm of the passes: common practice, no source. NaN with fewer than four tests, with one
    number of passes only, and where it does not grow.
    """
    if len(passes) < TESTS_FOR_GROWTH or len(set(passes)) < 2:
        return math.nan
    slope = float(np.polyfit(np.log(np.asarray(passes)), np.asarray(compaction_pct), 1)[0])
    return slope if slope > 0.0 else math.nan


def passes_more(missing_pct: float, passes: float, growth: float) -> float:
    """Return how many passes more bring what is missing, a whole number from 1; NaN where the record does not say.

    missing_pct   up to the required compaction [% points], above 0
    passes        rolled so far; growth: of growth_pct [% points]
    """
    if math.isnan(growth) or math.isnan(passes) or passes <= 0.0:
        return math.nan
    exponent = missing_pct / growth
    return math.inf if exponent > 10.0 else float(max(math.ceil(passes * (math.exp(exponent) - 1.0) - 1e-9), 1))
