"""What an earlier run of today told stands; what it told of the lift below is no order of the lift on top."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest

from gonogo.decide.plan.strips import standing_test
from gonogo.decide.standing import standing
from gonogo.moisture.unknown_work import ToldWork
from gonogo.records.day_plan import DayPlan, Task, TestFirst, Then
from gonogo.records.field import Reading

TOLD = datetime(2026, 5, 12, 10, tzinfo=UTC)


@pytest.mark.parametrize(
    ("task", "lift", "stands"), [(Task.WATER, 1, True), (Task.WATER, 2, False), (Task.ROLL, 2, True)]
)
def test_water_of_a_lift_spread_since_is_asked_for_and_no_order_of_the_old_one_stands_for_it(
    task: Task, lift: int, stands: bool
) -> None:
    told = SimpleNamespace(strip_id="N1", lift=1)
    plan = DayPlan(
        site_id="site", day=TOLD.date(), edition="morning", made_utc=TOLD, shift_start_utc=TOLD, shift_end_utc=TOLD,
        next_shift_utc=None, is_knowable=True, strips=(told,), jobs=(), sealings=(), rain=(),  # type: ignore[arg-type]
        fallen_mm=0.0, fallen_since_utc=None,
    )  # fmt: skip
    hour = timedelta(hours=1)
    work = ToldWork(
        strip_id="N1", task=task, lift=lift, told_utc=TOLD, start_utc=TOLD + hour, end_utc=TOLD + 2 * hour,
        litres=0.0, chance=0.7,
    )  # fmt: skip
    assert ("N1" in standing([plan], [(work, 0.7)], TOLD.date())) == stands


@pytest.mark.parametrize(
    ("results", "why"),
    [
        ([], "no_reading"),
        ([12.0], "result_in"),
        ([9.0], "result_in"),
        ([10.5], "no_reading"),
        ([10.5, 11.7], "result_in"),
    ],
)
def test_a_test_is_asked_for_until_its_result_or_the_second_at_an_edge_is_in(results: list[float], why: str) -> None:
    test = TestFirst(
        why="no_reading", by_utc=TOLD, low_pct=11.0, high_pct=13.0, again_from_pct=10.0, again_to_pct=14.0,
        mean_low_pct=10.8, mean_high_pct=13.2, inside=Then.ROLL, below=Then.WATER, above=Then.HOLD,
    )  # fmt: skip
    made = [
        Reading(strip_id="N1", at_utc=TOLD + timedelta(minutes=30 * n), w_pct=w_pct, method="nuclear gauge")
        for n, w_pct in enumerate([12.0, *results])  # the first is what the mail knew
    ]
    basis = SimpleNamespace(histories={"N1": SimpleNamespace(readings=made)})
    order = SimpleNamespace(told=SimpleNamespace(strip_id="N1", test=test), told_utc=TOLD)
    found = standing_test(basis, order)  # type: ignore[arg-type]
    assert found is not None
    assert (found.why, found.by_utc) == (why, TOLD if why == "no_reading" else None)
