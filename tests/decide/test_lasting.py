"""How long conditions go on to hold."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gonogo.decide.lasting import lasting


def test_a_condition_lasts_until_the_first_hour_in_which_it_fails() -> None:
    holds = np.array([[True, False], [True, True], [False, True]])
    found = lasting(holds)
    assert found.fails_at.tolist() == [[2, 0], [2, 3], [2, 3]]
    assert found.unknown_at.tolist() == [3, 3, 3]


def test_an_hour_of_which_one_member_is_unknown_is_unknown() -> None:
    found = lasting(np.array([[1.0, 1.0], [np.nan, 1.0], [0.0, 1.0], [1.0, 1.0]]))
    assert found.unknown_at.tolist() == [1, 1, 4, 4]
    assert found.fails_at.tolist() == [[2, 4], [2, 4], [2, 4], [4, 4]]


@given(
    flags=st.lists(st.lists(st.sampled_from([0.0, 1.0, np.nan]), min_size=3, max_size=3), min_size=1, max_size=12),
    ends=st.tuples(st.integers(0, 11), st.integers(1, 12)),
)
def test_one_look_at_the_first_hour_says_the_same_as_the_least_of_all_hours(
    flags: list[list[float]], ends: tuple[int, int]
) -> None:
    column = np.array(flags)
    first, stop = ends[0] % len(column), 0
    stop = min(first + ends[1], len(column))
    least = column[first:stop].min(axis=0)
    found = lasting(column)
    if np.isnan(least).any():
        assert found.unknown_at[first] < stop
    else:
        assert found.unknown_at[first] >= stop
        assert ((found.fails_at[first] >= stop) == (least == 1.0)).all()


@pytest.mark.parametrize("shape", [(4, 2, 3), (4, 1)])
def test_every_axis_but_the_last_is_kept(shape: tuple[int, ...]) -> None:
    found = lasting(np.ones(shape, dtype=np.bool_))
    assert found.fails_at.shape == shape
    assert found.unknown_at.shape == shape[:-1]
