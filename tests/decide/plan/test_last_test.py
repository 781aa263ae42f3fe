"""What the plan says of the last test of a lift: also one that was not believed, or that is older than water."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

from gonogo.decide.plan.strips import last_test
from gonogo.moisture.lift_history import LiftHistory
from gonogo.records.field import Reading, Watering

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


def test_water_that_was_put_on_since_the_test_is_counted_and_earlier_water_is_not() -> None:
    waterings = tuple(
        Watering(strip_id="N1", at_utc=AT + timedelta(hours=h), litres=litres)
        for h, litres in ((-1.0, 4000.0), (0.5, 5000.0), (2.0, 3500.0))
    )
    shown = last_test(LiftHistory(readings=(TEST,), waterings=waterings, works=()), {})
    assert shown is not None
    assert shown.litres_since == 8500.0
