"""What must hold of the lessons of pairs of readings whatever the members."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gonogo.soil.smoother import taught

SEEDS = st.integers(min_value=0, max_value=2**32 - 1)
N_MEMBERS = 60


def drawn(seed: int, n_pairs: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Members of two parameters, of readings that depend on them, and what was found."""
    rng = np.random.default_rng(seed)
    wanted = rng.standard_normal((2, N_MEMBERS))
    seen = rng.standard_normal((n_pairs, 2)) @ wanted + 0.3 * rng.standard_normal((n_pairs, N_MEMBERS))
    return wanted, seen, rng.normal(0.0, 2.0, n_pairs), rng.uniform(0.2, 2.0, n_pairs)


@settings(max_examples=60, deadline=None)
@given(seed=SEEDS, n_pairs=st.integers(1, 40))
def test_the_spread_never_grows_and_never_vanishes(seed: int, n_pairs: int) -> None:
    wanted, seen, found, error = drawn(seed, n_pairs)
    _, variance = taught(wanted, seen, found, error)
    assert np.all(variance <= wanted.var(axis=-1, ddof=1) + 1e-12)
    assert np.all(variance > 0.0)


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS, n_pairs=st.integers(2, 20))
def test_the_order_of_the_pairs_does_not_matter(seed: int, n_pairs: int) -> None:
    wanted, seen, found, error = drawn(seed, n_pairs)
    back = slice(None, None, -1)
    assert taught(wanted, seen, found, error)[0] == pytest.approx(
        taught(wanted, seen[back], found[back], error[back])[0], abs=1e-9
    )


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS, off=st.floats(-100.0, 100.0))
def test_a_surprise_teaches_no_more_than_its_limit(seed: int, off: float) -> None:
    wanted, seen, _, error = drawn(seed, 1)
    sd = np.sqrt(seen.var(axis=-1, ddof=1) + error**2)
    centre = seen.mean(axis=-1)
    mean = taught(wanted, seen, centre + off, error)[0]
    at_limit = taught(wanted, seen, centre + np.clip(off, -3.0 * sd, 3.0 * sd), error)[0]
    assert mean == pytest.approx(at_limit, abs=1e-9)


def test_without_pairs_nothing_is_learned() -> None:
    wanted = drawn(1, 1)[0]
    mean, variance = taught(wanted, np.empty((0, N_MEMBERS)), np.empty(0), np.empty(0))
    assert mean == pytest.approx(wanted.mean(axis=-1))
    assert variance == pytest.approx(wanted.var(axis=-1, ddof=1))


def test_normal_members_and_linear_readings_give_the_answer_of_bayes() -> None:
    rng = np.random.default_rng(2)
    x = rng.standard_normal((1, 4000))
    x = (x - x.mean()) / x.std(ddof=1)
    seen = np.vstack([x[0], x[0], 2.0 * x[0]])
    found, error = np.array([1.0, 0.6, 2.2]), np.array([1.0, 2.0, 1.0])
    precision = 1.0 + 1.0 + 0.25 + 4.0
    mean, variance = taught(x, seen, found, error)
    assert mean[0] == pytest.approx((1.0 + 0.15 + 4.4) / precision, abs=1e-9)
    assert variance[0] == pytest.approx(1.0 / precision, abs=1e-9)
