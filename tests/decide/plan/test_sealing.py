"""Two crews whose lifts one machine closes are not told the same hour."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from hand_made import at

from gonogo.decide.plan.sealing import one_after_another
from gonogo.records.day_plan import Job, Sealing, Task
from gonogo.records.site import Drum

HALF = timedelta(minutes=30)


def sealing(crew_id: str, roller_id: str = "smooth", end_h: float = 16.5, lasts: timedelta = HALF) -> Sealing:
    return Sealing(
        crew_id=crew_id, strips=("S",), start_utc=at(end_h) - lasts, by_utc=at(end_h), roller_id=roller_id,
        drum=Drum.SMOOTH, why="rain_today", rain_utc=at(end_h),
    )  # fmt: skip


def rolling(until_h: float) -> Job:
    return Job(
        task=Task.ROLL, strip_id="A", lift=1, crew_id="a", machine_id="smooth", start_utc=at(until_h - 1.0),
        end_utc=at(until_h),
    )  # fmt: skip


def hours(found: tuple[Sealing, ...]) -> list[tuple[datetime, datetime]]:
    return [(s.start_utc, s.by_utc) for s in found]


def test_one_machine_closes_the_lifts_of_one_crew_after_the_other() -> None:
    found = one_after_another([sealing("a"), sealing("b"), sealing("c", "other")], {}, [], at(7.0))
    assert [s.crew_id for s in found] == ["a", "b", "c"]
    assert hours(found) == [(at(15.5), at(16.0)), (at(16.0), at(16.5)), (at(16.0), at(16.5))]


def test_two_machines_of_a_kind_close_two_crews_lifts_at_once() -> None:
    found = one_after_another([sealing("a"), sealing("b")], {"smooth": 2}, [], at(7.0))
    assert hours(found) == [(at(16.0), at(16.5))] * 2


@pytest.mark.parametrize(("from_h", "rolled_h"), [(7.0, 15.8), (15.8, 12.0)])
def test_the_time_that_rolling_or_the_hour_leaves_is_shared(from_h: float, rolled_h: float) -> None:
    (first, middle), (_, last) = hours(
        one_after_another([sealing("a"), sealing("b")], {}, [rolling(rolled_h)], at(from_h))
    )
    assert (first, last) == (at(15.8), at(16.5))
    assert abs(middle - at(16.15)) < timedelta(seconds=1)
