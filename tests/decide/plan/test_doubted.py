"""A test that was not believed stands in the plan with what had been expected."""

from __future__ import annotations

import math
from datetime import UTC, datetime

from gonogo.decide.plan.strips import last_test
from gonogo.moisture.lift_history import LiftHistory
from gonogo.records.field import Reading

AT = datetime(2026, 5, 12, 6, 30, tzinfo=UTC)
TEST = Reading(strip_id="N1", at_utc=AT, w_pct=19.6, method="nuclear gauge", depth_mm=150.0)
HISTORY = LiftHistory(readings=(TEST,), waterings=(), works=())


def test_a_refused_test_says_value_method_time_and_what_was_expected() -> None:
    shown = last_test(HISTORY, {("N1", AT): (14.1, 16.2)})
    assert shown is not None
    assert (shown.w_pct, shown.method, shown.at_utc, shown.depth_mm) == (19.6, "nuclear gauge", AT, 150.0)
    assert (shown.is_used, shown.expected_low_pct, shown.expected_high_pct) == (False, 14.1, 16.2)


def test_a_test_that_counts_has_nothing_expected_in_its_place() -> None:
    shown = last_test(HISTORY, {})
    assert shown is not None
    assert shown.is_used
    assert math.isnan(shown.expected_low_pct)
