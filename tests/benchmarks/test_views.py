"""Five hundred drawn mornings and re-checks in which no two views of the plan disagree: on demand, it takes minutes."""

from __future__ import annotations

import numpy as np
from hand_made import at, morning, strip
from views_of_plan import RECHECKED_AT_H, change_contradictions, contradictions, drawn, recheck, scene


def test_no_two_views_disagree_on_five_hundred_mornings_and_re_checks() -> None:
    for seed in range(10_000, 10_250):
        shown = scene(drawn(np.random.default_rng(seed), morning, strip))
        assert contradictions(shown) == [], f"seed {seed}"
        later = recheck(shown, at(RECHECKED_AT_H[seed % len(RECHECKED_AT_H)]))
        assert contradictions(later) == [], f"re-check of seed {seed}"
        assert change_contradictions(shown, later) == [], f"changes of seed {seed}"
