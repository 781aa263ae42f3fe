"""Water that a test measured: where the lift lies after it, and whether a further test would decide anything."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np

from gonogo.decide.inputs import MorningInputs
from gonogo.decide.today import Prepared
from gonogo.decide.windows import epoch_h
from gonogo.records.site import Material
from gonogo.soil.readings import GAUGE_ERROR_PCT

SOON_H = 3.0  # water put on so long after a test is still the dose that it measured: our own choice


def is_sure_about(inputs: MorningInputs, chance_needed: float, material: Material, w_pct: float) -> bool:
    """Return whether a lift that a gauge test and water place at a content may be rolled without another test.

    It is as unsure as that test: inside as likely as the site asks, and beyond the wet edge no likelier than the site
    allows of water. A number that is missing makes it unsure.
    """
    about = NormalDist(0.0, GAUGE_ERROR_PCT)
    low, high = material.omc_pct + material.window_low_pct - w_pct, material.omc_pct + material.window_high_pct - w_pct
    too_wet = 1.0 - about.cdf(high)
    return 1.0 - about.cdf(low) - too_wet >= chance_needed and too_wet <= inputs.setting("overshoot_chance_max")


def is_water_by_test(prepared: Prepared, s: int) -> bool:
    """Return whether the water on row s was measured by the test before it, so that it is soaked and rolled.

    So where the test that counts and all water since place the lift as surely as is needed, the water came soon after
    the test, and hours are left today to roll it once it has soaked in. Half a dose leaves it too dry: that is tested.
    So is one of which the members took in little, as on a sealed surface where nobody recorded the mixing: whatever the
    truck put on, nothing orders it a second time.
    """
    inputs = prepared.inputs
    strip = inputs.strips[s]
    put_on = inputs.tested_water.get(strip.id)
    if put_on is None or not 0.0 <= put_on.after_h <= SOON_H or prepared.best[s] is None:
        return False
    material, row = inputs.material(strip), prepared.row_at(epoch_h(inputs.now_utc) + 1.0)  # with the hour's own water
    if row is None:
        return False
    is_in = inputs.w_pct[row, s] >= material.omc_pct + material.window_low_pct
    if not float(np.mean(is_in)) >= prepared.chance_needed:
        return False
    reached_pct = put_on.w_pct + 100.0 * put_on.litres_m2 / strip.dry_mass_kg_m2
    return is_sure_about(inputs, prepared.chance_needed, material, reached_pct)
