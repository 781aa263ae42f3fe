"""Five hundred drawn mornings in which no two views of the day plan disagree: on demand, it takes minutes."""

from __future__ import annotations

import numpy as np
from hand_made import morning, strip
from views_of_plan import contradictions, drawn, scene


def test_no_two_views_disagree_on_five_hundred_mornings() -> None:
    for seed in range(10_000, 10_500):
        shown = scene(drawn(np.random.default_rng(seed), morning, strip))
        assert contradictions(shown) == [], f"seed {seed}"
