"""What must hold of what a reading teaches, whatever the soil and the reading."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gonogo.errors import SoilError
from gonogo.soil.knowledge import Knowledge, answers, nothing_known, whitened
from gonogo.soil.readings import CONFIRMED, FAR, GATE_SD, weighed

SEEDS = st.integers(min_value=0, max_value=2**32 - 1)
N = 6


def known_of(seed: int) -> Knowledge:
    rng = np.random.default_rng(seed)
    known = nothing_known(N)
    for _ in range(3):
        known = known.taught(0.02 * rng.standard_normal(N), 0.01 * float(rng.standard_normal()), 1e-4)
    return known


@settings(max_examples=80, deadline=None)
@given(seed=SEEDS, surprise=st.floats(-0.2, 0.2), variance=st.floats(1e-6, 1e-2))
def test_a_pair_never_makes_anybody_less_sure_and_moves_towards_what_was_found(
    seed: int, surprise: float, variance: float
) -> None:
    known, answer = known_of(seed), 0.02 * np.random.default_rng(seed + 1).standard_normal(N)
    after = known.taught(answer, surprise, variance)
    assert np.all(after.sd <= known.sd + 1e-12)
    assert np.linalg.eigvalsh(after.covariance).min() > 0.0
    moved = float(answer @ (after.mean - known.mean))
    assert -1e-12 <= moved * np.sign(surprise) <= abs(surprise) + 1e-12
    assert after.n_taught == known.n_taught + 1


def test_two_pairs_teach_the_same_in_either_order() -> None:
    a, b = np.linspace(-0.02, 0.02, N), np.linspace(0.03, 0.0, N)
    # Within the limit of surprise both orders are the one linear update.
    knowledge = nothing_known(N).taught(a, 0.01, 1e-3)
    knowledge = knowledge.taught(b, 0.005 - float(b @ knowledge.mean), 1e-3)
    other = nothing_known(N).taught(b, 0.005, 1e-3)
    other = other.taught(a, 0.01 - float(a @ other.mean), 1e-3)
    assert knowledge.mean == pytest.approx(other.mean)
    assert knowledge.covariance == pytest.approx(other.covariance)


def test_the_root_is_that_of_the_covariance() -> None:
    known = known_of(3)
    assert known.root @ known.root.T == pytest.approx(known.covariance)


def test_what_was_learned_passes_on_at_a_discount() -> None:
    known = known_of(4).read(0.2)
    assert known.discounted(1.0).mean == pytest.approx(known.mean)
    assert known.discounted(0.0).mean == pytest.approx(0.0)
    assert known.discounted(0.0).sd == pytest.approx(1.0)
    half = known.discounted(0.5)
    assert half.mean == pytest.approx(known.mean / 2.0)
    assert np.all(half.sd >= known.sd - 1e-12)
    assert half.n_readings == 0
    with pytest.raises(SoilError):
        known.discounted(1.1)


def test_the_answer_to_each_score_is_found_again() -> None:
    draws = whitened(np.random.default_rng(1), N, 50)
    truth = np.array([0.01, -0.02, 0.0, 0.03, 0.0, 0.005])
    of_soil = truth @ draws
    mean, answer, answered, rest = answers(0.2 + of_soil[None], draws)
    assert mean == pytest.approx(0.2)
    assert answer[0] == pytest.approx(truth)
    assert answered[0] == pytest.approx(of_soil)
    assert rest == pytest.approx(0.0, abs=1e-12)


@settings(max_examples=80, deadline=None)
@given(
    apart=st.floats(-0.3, 0.3),
    variance=st.floats(1e-6, 1e-3),
    error=st.floats(1e-3, 0.03),
    side=st.sampled_from([-1, 0, 1]),
)
def test_a_reading_pulls_by_its_weight_is_doubted_far_off_and_believed_the_second_time(
    apart: float, variance: float, error: float, side: int
) -> None:
    told = weighed(theta=0.3 + apart, error=error, expected=0.3, variance=variance, side_before=float(side))
    is_far = abs(apart) > GATE_SD * np.sqrt(variance + error**2)
    assert told.note == ((CONFIRMED if side == np.sign(apart) and side else FAR) if is_far else None)
    assert min(0.3, 0.3 + apart) - 1e-12 <= told.mean <= max(0.3, 0.3 + apart) + 1e-12
    if not is_far:
        assert told.variance <= min(variance, error**2) + 1e-15
    elif told.note == FAR:
        assert np.sqrt(told.variance) >= 0.45 * abs(apart)
