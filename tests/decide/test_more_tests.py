"""How many further tests would release a strip: by the normal distribution that n tests leave."""

from __future__ import annotations

import pytest
from hand_made import morning

from gonogo.decide.measures import Known
from gonogo.decide.more_tests import chance_after_tests, tests_to_settle
from gonogo.decide.today import prepare

tests_to_settle.__test__ = False  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("needed", "n_tests", "chance"), [(0.85, 1, 0.90), (0.93, 2, 0.94), (0.95, 3, 0.96), (0.98, 0, 0)]
)
def test_each_agreeing_test_narrows_what_is_thought_of_a_lift(needed: float, n_tests: int, chance: float) -> None:
    """Members 0.8 points within the wet edge with 1 point of spread, and tests of hypot(0.6, 0.6) points of error.

    n tests leave a spread of 1 / sqrt(1 + n / 0.72): 0.65, 0.52 and 0.44; of 50 members 45, 47 and 48 lie inside.
    """
    known = Known(prepared=prepare(morning(15.2, sd_pct=1.0, settings={"compact_chance_min": needed})), watered={})
    assert tests_to_settle(known, 0) == n_tests
    assert chance_after_tests(known, 0) == pytest.approx(chance, abs=1e-9)
