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
    assert params.theta_fc[0] == pytest.approx(0.95 * params.theta_sat[0, 0])
    assert np.all(params.rew_mm <= 0.8 * params.tew_mm + 1e-12)


def test_the_default_evaporates_from_its_top_layer_between_the_two_limits_of_fao_56() -> None:
    params = strip.params_from_scores(soil(), np.zeros((len(LEARNABLE), 2, 3)), soil().start_theta)
    assert params.tew_mm[:, 0] == pytest.approx([(0.25 - 0.06) * 100.0, (0.12 - 0.0225) * 70.0])
    assert params.rew_mm[:, 0] == pytest.approx([9.0, 4.5 * 0.7])


def test_a_member_that_learned_to_dry_little_keeps_two_millimetres_and_a_second_stage() -> None:
    scores = np.zeros((len(LEARNABLE), 2, 3))
    scores[list(LEARNABLE).index("theta_fc")] = -3.0
    scores[list(LEARNABLE).index("evaporation_depth_mm")] = -3.0
    ground = soil(theta_wp=[0.3, 0.14])
    params = strip.params_from_scores(ground, scores, ground.start_theta)
    assert params.tew_mm == pytest.approx(2.0)
    assert params.rew_mm[0] == pytest.approx(1.6)
    assert np.all(params.rew_mm <= 0.8 * params.tew_mm + 1e-12)


def test_a_lift_lets_its_water_go_down_four_times_as_slowly_as_from_top_to_base() -> None:
    """Compacted fill lies below: common practice, no source for the number."""
    ground = soil()
    assert ground.drainage_frac_h == pytest.approx(1.0 - np.exp([-1.0 / 20.0, -1.0 / 8.0]))
    assert ground.base_drainage_frac_h == pytest.approx(ground.drainage_frac_h / 4.0)


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


def test_a_score_is_a_factor_on_the_default_and_none_leaves_it() -> None:
    for row in LEARNABLE.values():
        assert row.factor(0.0) == 1.0
        assert row.factor(-2.0) == pytest.approx(np.exp(-2.0 * row.spread))


@pytest.mark.parametrize("thickness_mm", [220.0, 110.0, 60.0, 30.0])
def test_a_top_layer_has_its_share_of_the_readily_evaporable_water_of_100_mm(thickness_mm: float) -> None:
    """FAO-56, table 19 gives REW of the upper 100 mm: 9 mm for loam. Stage two keeps a fifth of TEW at least."""
    ground = soil(soil_class=["loam", "loam"], lift_thickness_mm=[thickness_mm] * 2, omc_pct=[14.0] * 2)
    params = strip.params_from_scores(ground, np.zeros((len(LEARNABLE), 2, 3)), ground.start_theta)
    top_mm = min(100.0, thickness_mm - 10.0)
    assert params.rew_mm[0] == pytest.approx(min(9.0 * top_mm / 100.0, 0.8 * params.tew_mm[0, 0]))
    assert params.tew_mm[0] == pytest.approx(max((0.25 - 0.5 * 0.12) * top_mm, 2.0))


def test_water_leaves_the_lift_more_slowly_than_its_top() -> None:
    """Below lies compacted fill: a quarter of the top's drainage before anything is learned; our own assumption."""
    ground = soil()
    assert ground.base_drainage_frac_h == pytest.approx(ground.drainage_frac_h / 4.0)
    # Loam: 37 % of the excess is left after 20 h.
    assert (1.0 - ground.drainage_frac_h[0]) ** 20.0 == pytest.approx(np.exp(-1.0))


def test_field_capacity_leaves_a_twentieth_of_the_pores_to_trapped_air() -> None:
    dense = soil(dry_density_kg_m3=[2200.0, 2200.0])
    assert dense.theta_fc[0] == pytest.approx(0.95 * (1.0 - 2200.0 / 2680.0))
