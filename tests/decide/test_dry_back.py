"""When a strip that was disked may be tested again: the same for its way back and for a second test."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hand_made import N_HOURS, at, morning

from gonogo.decide.dry_back import REST_H, Disked, chance_inside, disk_hours, disked, last_disking_before, ready_from
from gonogo.decide.windows import epoch_h
from gonogo.moisture.lift_history import LiftHistory
from gonogo.records.day_plan import Task
from gonogo.records.field import SurfaceWork

DISKED = [(9.0, 11.0), (9.4, 11.0), (13.0, 15.0), (13.75, 15.0)]


@pytest.mark.parametrize(("disked_h", "from_h"), DISKED)
def test_a_disked_strip_is_ready_from_the_first_full_hour_after_its_rest_on(disked_h: float, from_h: float) -> None:
    assert ready_from(at(disked_h)) == at(from_h)


@pytest.mark.parametrize(("disked_h", "from_h"), DISKED)
def test_the_way_back_counts_on_a_disking_from_the_same_hour_on(disked_h: float, from_h: float) -> None:
    path = Disked(disk_utc=(at(disked_h),), w_pct=np.zeros((1, 1)))
    counted = [bool(last_disking_before(path, epoch_h(at(hour)) - REST_H)) for hour in (from_h - 1.0, from_h)]
    assert counted == [False, True]


@pytest.mark.parametrize(
    ("now_h", "hours"),
    [
        (5.5, (9.0, 13.0)),
        (10.0, (10.0, 14.0)),
        (11.0, (11.0, 15.0)),
        (13.0, (13.0,)),  # at five it would be sealed before the sun did anything
        (14.0, (14.0,)),
        (15.0, (15.0,)),
        (15.5, ()),
    ],
)
def test_a_late_first_disking_moves_the_second_by_as_much(now_h: float, hours: tuple[float, ...]) -> None:
    found = disk_hours(morning(now_utc=at(now_h)))
    assert found[: len(hours)] == tuple(at(hour) for hour in hours)
    assert found[len(hours)] == at(24 + 9.0)


@pytest.mark.parametrize(
    ("now_h", "recorded_h", "today"),
    [
        (8.0, None, (9.0, 13.0)),  # nothing of it has begun
        (9.0, None, (13.0,)),
        (11.0, None, (13.0,)),
        (13.0, None, ()),
        (14.0, None, ()),
        (11.0, 9.5, (11.0, 15.0)),  # what was recorded is known: from here on it is disked as on any day
    ],
)
def test_a_strip_that_may_have_been_disked_as_told_has_no_new_hour_today(
    now_h: float, recorded_h: float | None, today: tuple[float, ...]
) -> None:
    jobs = tuple(SimpleNamespace(task=Task.DISK, start_utc=at(hour)) for hour in (9.0, 13.0))
    order: Any = SimpleNamespace(told_utc=at(5.0), jobs=jobs)
    inputs = replace(morning(18.0, now_utc=at(now_h)), orders={"N1": order} if now_h >= 9.0 else {})
    done = () if recorded_h is None else (SurfaceWork(strip_id="N1", at_utc=at(recorded_h), work="disked"),)
    history = LiftHistory(readings=(), waterings=(), works=done, is_rolled=False)
    asked: list[LiftHistory] = []

    def resimulate(_rows: Sequence[int], histories: Sequence[LiftHistory]) -> Any:
        asked.extend(histories)
        return SimpleNamespace(w_pct=np.zeros((2, 1, 1)))

    found = disked(inputs, [0], [history], resimulate)["N1"]
    assert tuple(h for h in found.disk_utc if h < at(24.0)) == tuple(at(hour) for hour in today)
    assert tuple(work.at_utc for work in asked[0].works[len(done) :]) == found.disk_utc


@pytest.mark.parametrize(("w_pct", "chance"), [(15.9, 1.0), (16.1, 0.0), (12.1, 1.0), (11.9, 0.0)])
def test_a_disked_strip_is_back_where_it_lies_inside_its_window_all_along(w_pct: float, chance: float) -> None:
    path = Disked(disk_utc=(at(9),), w_pct=np.full((N_HOURS, 10), w_pct))
    assert chance_inside(morning(), 0, path, epoch_h(at(10)), 2.0) == chance
