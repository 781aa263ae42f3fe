"""What must hold of the filter whatever the members and the reading."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gonogo.soil.filter import GATE_SD, MOISTURE_SD_FLOOR_PCT, SCORE_SD_FLOOR, Pulled, pull

SEEDS = st.integers(min_value=0, max_value=2**32 - 1)
N_MEMBERS, MM_PER_PCT = 50, 3.5


def members(seed: int, spread_pct: float) -> dict[str, Any]:
    rng = np.random.default_rng(seed)
    shared = rng.standard_normal((1, N_MEMBERS)) * spread_pct * MM_PER_PCT / 2.0
    return {
        "top_mm": 25.0 + shared + 0.2 * rng.standard_normal((1, N_MEMBERS)),
        "base_mm": 28.0 + shared + 0.2 * rng.standard_normal((1, N_MEMBERS)),
        "scores": rng.standard_normal((3, 1, N_MEMBERS)) + 0.5 * shared / spread_pct,
    }


def pulled(drawn: dict[str, Any], w_pct: float, sd_pct: float, *, is_confirmed: bool = False) -> Pulled:
    return pull(
        **drawn,
        mm_per_pct=np.array([MM_PER_PCT]),
        w_pct=np.array([w_pct]),
        sd_pct=np.array([sd_pct]),
        is_confirmed=np.array([is_confirmed]),
    )


def lift_pct(state: Any) -> np.ndarray:
    top, base = (state["top_mm"], state["base_mm"]) if isinstance(state, dict) else (state.top_mm, state.base_mm)
    return (top + base)[0] / MM_PER_PCT


@settings(max_examples=80, deadline=None)
@given(seed=SEEDS, spread=st.floats(0.3, 4.0), off=st.floats(-25.0, 25.0), sd=st.floats(0.2, 3.0))
def test_the_mean_moves_towards_the_reading_and_never_past_it(seed: int, spread: float, off: float, sd: float) -> None:
    drawn = members(seed, spread)
    before = lift_pct(drawn).mean()
    after = lift_pct(pulled(drawn, before + off, sd)).mean()
    moved = (after - before) * np.sign(off)
    assert -1e-9 <= moved <= abs(off) + 1e-9


@settings(max_examples=80, deadline=None)
@given(seed=SEEDS, spread=st.floats(0.3, 4.0), off=st.floats(-25.0, 25.0), sd=st.floats(0.2, 3.0))
def test_the_spread_shrinks_at_most_to_its_floor(seed: int, spread: float, off: float, sd: float) -> None:
    drawn = members(seed, spread)
    result = pulled(drawn, lift_pct(drawn).mean() + off, sd)
    after = lift_pct(result).std(ddof=1)
    assert after >= MOISTURE_SD_FLOOR_PCT * (1.0 - 1e-9)
    assert after <= max(lift_pct(drawn).std(ddof=1), MOISTURE_SD_FLOOR_PCT) + 1e-9
    before_scores, after_scores = drawn["scores"].std(axis=-1, ddof=1), result.scores.std(axis=-1, ddof=1)
    assert np.all(after_scores >= np.minimum(before_scores, SCORE_SD_FLOOR) - 1e-9)
    assert np.all(after_scores <= before_scores + 1e-9)


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS, spread=st.floats(0.5, 3.0), sd=st.floats(0.3, 2.0))
def test_a_sharper_reading_pulls_harder(seed: int, spread: float, sd: float) -> None:
    drawn = members(seed, spread)
    target = lift_pct(drawn).mean() + 0.5
    sharp, blunt = pulled(drawn, target, sd), pulled(drawn, target, 2.0 * sd)
    assert sharp.weight[0] > blunt.weight[0]
    assert lift_pct(sharp).mean() > lift_pct(blunt).mean()


def test_the_update_agrees_with_bayes_for_normal_members() -> None:
    drawn = members(3, 1.0)
    before, variance = lift_pct(drawn).mean(), lift_pct(drawn).var(ddof=1)
    result = pulled(drawn, before + 1.2, 0.7)
    weight = variance / (variance + 0.49)
    assert lift_pct(result).mean() == pytest.approx(before + weight * 1.2, abs=0.03)
    assert lift_pct(result).var(ddof=1) == pytest.approx(variance * 0.49 / (variance + 0.49), rel=0.05)


def test_beyond_the_gate_a_reading_moves_less_the_farther_it_lies() -> None:
    drawn = members(4, 0.8)
    before, step = lift_pct(drawn).mean(), np.hypot(lift_pct(drawn).std(ddof=1), 0.7)
    moved = [lift_pct(pulled(drawn, before + k * step, 0.7)).mean() - before for k in (1.0, GATE_SD, 4.0, 8.0, 20.0)]
    assert moved[0] < moved[1]
    assert moved[1] > moved[2] > moved[3] > moved[4] >= 0.0
    assert moved[4] < 0.05


def test_a_confirmed_surprise_moves_the_members_all_the_way() -> None:
    drawn = members(5, 0.8)
    before = lift_pct(drawn).mean()
    doubted, believed = pulled(drawn, before + 8.0, 0.7), pulled(drawn, before + 8.0, 0.7, is_confirmed=True)
    assert lift_pct(doubted).mean() - before < 0.5
    assert lift_pct(believed).mean() - before == pytest.approx(8.0, abs=0.3)


def test_a_parameter_that_has_nothing_to_do_with_the_moisture_stays() -> None:
    rng = np.random.default_rng(6)
    drawn = members(6, 1.5)
    apart = lift_pct(drawn) - lift_pct(drawn).mean()
    noise = rng.standard_normal(N_MEMBERS)
    drawn["scores"][0, 0] = noise - (noise @ apart) / (apart @ apart) * apart
    result = pulled(drawn, lift_pct(drawn).mean() + 1.5, 0.5)
    assert result.scores[0] == pytest.approx(drawn["scores"][0], abs=1e-9)
    assert np.abs(result.scores[1] - drawn["scores"][1]).max() > 0.1


def test_members_that_all_agree_stay_finite() -> None:
    drawn = {"top_mm": np.full((1, 50), 25.0), "base_mm": np.full((1, 50), 28.0), "scores": np.zeros((3, 1, 50))}
    result = pulled(drawn, 20.0, 0.5)
    assert np.isfinite(result.top_mm).all()
    assert np.isfinite(result.scores).all()


def test_any_number_of_tests_leaves_a_quarter_of_a_point_unknown() -> None:
    drawn = members(7, 0.3)
    for _ in range(6):
        result = pulled(drawn, lift_pct(drawn).mean(), 0.2)
        drawn = {"top_mm": result.top_mm, "base_mm": result.base_mm, "scores": result.scores}
    assert lift_pct(drawn).std(ddof=1) == pytest.approx(0.25, abs=0.001)


def test_three_tenths_of_the_spread_that_a_reading_takes_from_a_parameter_are_given_back() -> None:
    """Relaxation to the spread before (Whitaker and Hamill 2012), for a parameter that the moisture follows wholly."""
    drawn = members(8, 1.5)
    drawn["scores"] = np.repeat(((drawn["top_mm"] + drawn["base_mm"]) / 5.0)[None], 3, axis=0)
    before = drawn["scores"][0].std(ddof=1)
    variance = lift_pct(drawn).var(ddof=1)
    # A test as good as the members halves their variance.
    result = pulled(drawn, lift_pct(drawn).mean() + 0.5, float(np.sqrt(variance)))
    after = before * np.sqrt(0.5)
    assert result.scores[0].std(ddof=1) == pytest.approx(after + 0.3 * (before - after), rel=0.01)


def test_a_strip_never_stops_learning() -> None:
    drawn = members(9, 1.5)
    drawn["scores"] = np.repeat((lift_pct(drawn) - lift_pct(drawn).mean())[None, None] / 1.5, 3, axis=0)
    for _ in range(12):
        result = pulled(drawn, lift_pct(drawn).mean(), 0.2)
        drawn = {"top_mm": 25.0 + 5.0 * result.scores[0], "base_mm": result.base_mm, "scores": result.scores}
    assert drawn["scores"][0].std(ddof=1) >= 0.35 - 1e-9
