"""Which verdicts hang on a chance near its threshold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hand_made import morning

from gonogo.decide.closeness import is_close
from gonogo.decide.conclusion import Conclusion
from gonogo.decide.verdict import decide
from gonogo.morning.compute import CELLS_MOST, MEMBERS_CLOSE, n_members_wanted


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


def test_members_are_more_where_a_verdict_is_close_and_a_large_site_gets_fewer() -> None:
    inputs = morning(15.6, sd_pct=1.0)
    (close,) = decide(inputs)
    (clear,) = decide(morning(14.0))
    came = Conclusion(
        decisions=(close,), outlook=(), weather=inputs.weather, judgement=None, reason="", faults=(), error=""
    )
    assert n_members_wanted(came) == MEMBERS_CLOSE == 400
    assert n_members_wanted(replace(came, decisions=(clear,))) is None
    assert n_members_wanted(replace(came, decisions=(close,) * 120)) == CELLS_MOST // 120 == 200
    assert n_members_wanted(replace(came, decisions=(close,) * 600)) is None
    assert n_members_wanted(replace(came, weather=None)) is None
