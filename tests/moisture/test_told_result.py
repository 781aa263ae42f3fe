"""Which tests on record may be those that a plan asked for: one of a rolled lift orders nothing."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from gonogo.moisture.lift_history import LiftHistory
from gonogo.moisture.told_result import deciding
from gonogo.records.field import Reading, SurfaceWork

TOLD = datetime(2026, 5, 12, 10, tzinfo=UTC)


def read(after_h: float, w_pct: float, density: float | None = None) -> Reading:
    return Reading(
        strip_id="N1",
        at_utc=TOLD + timedelta(hours=after_h),
        w_pct=w_pct,
        method="nuclear gauge",
        dry_density_kg_m3=density,
    )


def found(*readings: Reading, rolled_h: float | None = None) -> list[float]:
    at_utc = None if rolled_h is None else TOLD + timedelta(hours=rolled_h)
    works = () if at_utc is None else (SurfaceWork(strip_id="N1", at_utc=at_utc, work="rolled", passes=6),)
    history = LiftHistory(readings=readings, waterings=(), works=works)
    return [reading.w_pct for reading in deciding(history, TOLD, TOLD + timedelta(hours=24))]


def test_a_test_after_rolling_decides_nothing_of_the_lift_that_was_rolled_by_an_earlier_one() -> None:
    """After a density test below the window the next mail asked for water that none had told."""
    assert found(read(2.0, 17.2), read(5.0, 15.4), rolled_h=5.0) == [17.2]
    assert found(read(2.0, 17.2), read(5.0, 15.4), rolled_h=6.0) == [17.2, 15.4]


def test_a_density_test_decides_nothing_where_nobody_recorded_the_rolling() -> None:
    assert found(read(2.0, 17.2), read(5.0, 15.4, density=1737.0)) == [17.2]


def test_only_tests_after_the_plan_and_of_its_day_count_and_rolling_before_it_takes_none_away() -> None:
    assert found(read(-1.0, 12.0), read(2.0, 17.2), read(25.0, 16.0), rolled_h=-3.0) == [17.2]
