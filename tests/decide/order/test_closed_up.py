"""Today's rolling has no gap of a planning step in it, and what was told takes the hours that are left."""

from __future__ import annotations

import itertools
from datetime import timedelta

import numpy as np
import pytest
from benchmarks.test_order import ten_days
from hand_made import at, morning, strip
from views_of_plan import contradictions, recheck, scene

from gonogo.decide.order.closed_up import counted_chance
from gonogo.decide.order.propose import propose
from gonogo.decide.verdict import decide
from gonogo.records.day_plan import Task
from gonogo.records.work_order import PlannedWork, Work


def rolled_today(inputs) -> list[PlannedWork]:  # type: ignore[no-untyped-def]
    order = propose(inputs, decide(inputs), done={}, before=None)
    return [w for w in order.works if w.work == Work.ROLLING and "today" in w.flags]


def test_each_strip_begins_when_the_roller_is_done_with_the_one_before() -> None:
    """Three strips that each take no whole number of quarter hours."""
    strips = [strip(id=name, name=name, length_m=length) for name, length in (("A", 97.0), ("B", 83.0), ("C", 71.0))]
    first, second, third = rolled_today(morning([14.0] * 3, strips=strips))
    assert first.start_utc == at(7.0)
    assert second.start_utc == first.end_utc
    assert third.start_utc == second.end_utc
    assert {(w.end_utc - at(7.0)).total_seconds() % 900.0 for w in (first, second, third)} != {0.0}


def test_no_two_rollings_of_one_roller_overlap_and_none_ends_after_the_shift() -> None:
    for seed in range(6):
        works = rolled_today(ten_days(10, 1, 1, seed))
        assert works
        for before, after in itertools.pairwise(works):
            assert after.start_utc >= before.end_utc
        assert works[-1].end_utc <= at(17.0)


def test_what_was_told_takes_the_time_that_is_left() -> None:
    """Planned in quarter hours the fifth strip has no place; to the minute there is an hour for it."""
    works = rolled_today(ten_days(10, 1, 1, 24))
    assert [w.strip_id for w in works] == ["N8", "N0", "N1", "N2", "N6"]
    assert works[-1].start_utc == works[-2].end_utc


def test_what_has_begun_keeps_its_hours() -> None:
    strips = [strip(id=name, name=f"{name} field", length_m=97.0) for name in ("N1", "N2", "N3")]
    told = scene(morning([14.0] * 3, strips=strips))
    later = recheck(told, at(9.0))
    for name in ("N1", "N2", "N3"):
        (before,) = [j for j in told.plan.jobs_of(name) if j.task == Task.ROLL]
        if before.start_utc <= at(9.0):
            assert [j for j in later.plan.jobs_of(name) if j.task == Task.ROLL] == [before]


@pytest.mark.parametrize("minutes", [-12, -5, -1, 1, 5])
def test_a_look_just_before_or_after_a_rolling_ends_finds_every_strip_where_it_was_told(minutes: int) -> None:
    strips = [strip(id=name, name=f"{name} field", length_m=97.0) for name in ("N1", "N2", "N3")]
    told = scene(morning([14.0] * 3, strips=strips))
    first = min((j for j in told.plan.jobs if j.task == Task.ROLL), key=lambda j: j.end_utc)
    later = recheck(told, first.end_utc + timedelta(minutes=minutes))
    assert contradictions(later) == []


def test_a_chance_counts_as_the_best_within_what_the_ensemble_can_tell() -> None:
    assert counted_chance(0.88, 0.90, 200) == 0.90
    assert counted_chance(0.80, 0.90, 200) == 0.80
    assert counted_chance(0.80, 0.90, 20) == 0.90  # one member in twenty is 5 %
    assert np.isfinite(counted_chance(0.0, 0.0, 50))
    assert counted_chance(1.0, 1.0, 50) == pytest.approx(1.0)
