"""From strips to parameters: what is refused, what is drawn, what is handed on."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from gonogo.errors import SoilError
from gonogo.soil import strip
from gonogo.soil.knowledge import whitened
from gonogo.soil.strip import FRESH_EVAPORATION, LEARNABLE, StripSoil, strip_soil

THETA = np.array([0.2, 0.1])

RIGHT: dict[str, Any] = {
    "soil_class": ["loam", "sand"],
    "lift_thickness_mm": [220.0, 80.0],
    "dry_density_kg_m3": [1650.0, 1500.0],
    "specific_gravity": [2.68, 2.65],
    "omc_pct": [14.0, 9.0],
    "theta_fc": [0.25, 0.12],
    "theta_wp": [0.12, 0.045],
}


def soil(**changed: Any) -> StripSoil:
    return strip_soil(**{**RIGHT, **changed})


def test_top_and_base_make_up_the_lift_and_evaporation_reaches_100_mm_at_most() -> None:
    params = strip.params_from_scores(soil(), np.zeros((len(LEARNABLE), 2, 3)), THETA)
    thickness = params.top_thickness_mm + params.base_thickness_mm
    assert thickness[:, 0] == pytest.approx([220.0, 80.0])
    assert params.top_thickness_mm[:, 0] == pytest.approx([100.0, 70.0])
    assert np.all(params.base_thickness_mm > 0.0)


@pytest.mark.parametrize(
    ("changed", "fault"),
    [
        ({"soil_class": ["loam", "mud"]}, "mud"),
        ({"lift_thickness_mm": [220.0, 20.0]}, "20 mm"),
        ({"dry_density_kg_m3": [1650.0, 2650.0]}, "solids"),
        ({"dry_density_kg_m3": [1650.0, float("nan")]}, "solids"),
    ],
)
def test_a_strip_outside_physics_is_refused(changed: dict[str, Any], fault: str) -> None:
    with pytest.raises(SoilError, match=fault):
        soil(**changed)


def test_a_dense_lift_keeps_field_capacity_below_saturation() -> None:
    dense = soil(dry_density_kg_m3=[2100.0, 2100.0])
    assert np.all(dense.theta_fc < dense.theta_sat)
    params = strip.params_from_scores(dense, np.full((len(LEARNABLE), 2, 3), 3.0), THETA)
    assert np.all(params.theta_fc < params.theta_sat)
    assert np.all(params.rew_mm < params.tew_mm)


def test_scores_of_zero_are_the_default() -> None:
    params = strip.params_from_scores(soil(), np.zeros((len(LEARNABLE), 2, 3)), THETA)
    assert params.theta_fc[:, 0] == pytest.approx([0.25, 0.12])
    assert params.evaporation_factor == pytest.approx(FRESH_EVAPORATION)
    assert params.below_theta[:, 0] == pytest.approx(THETA)


def test_the_start_without_a_reading_is_wide_and_physical() -> None:
    ground = soil()
    start = strip.drawn_start(ground, np.stack([whitened(np.random.default_rng(k), 2, 50) for k in (1, 2)], axis=1))
    w = (start.top_mm + start.base_mm) / ground.mm_per_pct[:, None]
    assert w.mean(axis=-1) == pytest.approx(ground.omc_pct, rel=0.03)
    assert np.all(w.std(axis=-1) > 0.2 * ground.omc_pct)
    assert np.all((w > 0.0) & (w < ground.saturated_w_pct[:, None]))
