"""No two views of the day plan disagree, on any morning."""

from __future__ import annotations

import numpy as np
import pytest
from hand_made import morning, strip
from views_of_plan import VIEWS, Told, contradictions, drawn, scene


@pytest.mark.parametrize("block", range(4))
def test_no_two_views_disagree_on_drawn_mornings(block: int) -> None:
    for k in range(20):
        shown = scene(drawn(np.random.default_rng(1000 * block + k), morning, strip))
        assert contradictions(shown) == [], f"seed {1000 * block + k}"


def test_the_comparison_finds_what_differs() -> None:
    assert Told(verdict="wait", litres=3).against(Told(verdict="compact", litres=3)) == [
        "verdict: wait against compact"
    ]
    assert Told(verdict="wait").against(Told(litres=3)) == []
    shown = scene(morning())
    assert {VIEWS["plan"](shown, "N1").verdict, VIEWS["mail"](shown, "N1").verdict} == {"compact"}
