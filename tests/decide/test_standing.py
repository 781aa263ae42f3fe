"""What an earlier run of today told stands; what it told of the lift below is no order of the lift on top."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest

from gonogo.decide.standing import standing
from gonogo.moisture.unknown_work import ToldWork
from gonogo.records.day_plan import DayPlan, Task

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
