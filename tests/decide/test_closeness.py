"""Which verdicts hang on a chance near its threshold."""

from __future__ import annotations

import numpy as np
import pytest
from hand_made import morning, strip

from gonogo.decide.closeness import is_close
from gonogo.decide.verdict import decide
from gonogo.morning.judging import CELLS_MOST, MEMBERS_CLOSE, close_strips, n_members_closer


@pytest.mark.parametrize(
    ("changes", "is_it"),
    [
        ({"w_pct": 14.0}, False),
        ({"w_pct": 15.6, "sd_pct": 1.0}, True),  # most members inside, not as many as are asked for or hardly more
        ({"w_pct": 15.6, "sd_pct": 1.0, "reading_age_h": np.inf}, False),  # decided by what is no chance
        ({"w_pct": 9.0}, False),
    ],
)
def test_a_verdict_is_close_where_a_chance_that_it_was_asked_by_is(changes: dict[str, object], is_it: bool) -> None:
    (made,) = decide(morning(**changes))
    assert is_close(made) == is_it


def test_the_strips_that_are_close_get_more_members_and_very_many_of_them_fewer() -> None:
    (close,) = decide(morning(15.6, sd_pct=1.0))
    (clear,) = decide(morning(14.0, strips=[strip(id="N2")]))
    assert close_strips((clear, close)) == {"N1"}
    assert n_members_closer(1, 50) == MEMBERS_CLOSE == 400
    assert n_members_closer(0, 50) is None
    assert n_members_closer(120, 50) == CELLS_MOST // 120 == 200
    assert n_members_closer(600, 50) is None
