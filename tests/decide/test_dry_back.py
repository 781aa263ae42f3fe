"""When a strip that was disked may be tested again: the same for its way back and for a second test."""

from __future__ import annotations

import numpy as np
import pytest
from hand_made import N_HOURS, at, morning

from gonogo.decide.dry_back import REST_H, Disked, chance_inside, disk_hours, last_disking_before, ready_from
from gonogo.decide.windows import epoch_h

DISKED = [(9.0, 11.0), (9.4, 11.0), (13.0, 15.0), (13.75, 15.0)]


@pytest.mark.parametrize(("disked_h", "from_h"), DISKED)
def test_a_disked_strip_is_ready_from_the_first_full_hour_after_its_rest_on(disked_h: float, from_h: float) -> None:
    assert ready_from(at(disked_h)) == at(from_h)


@pytest.mark.parametrize(("disked_h", "from_h"), DISKED)
def test_the_way_back_counts_on_a_disking_from_the_same_hour_on(disked_h: float, from_h: float) -> None:
    path = Disked(disk_utc=(at(disked_h),), w_pct=np.zeros((1, 1)))
    counted = [bool(last_disking_before(path, epoch_h(at(hour)) - REST_H)) for hour in (from_h - 1.0, from_h)]
    assert counted == [False, True]


@pytest.mark.parametrize(("now_h", "hours"), [(5.5, (9.0, 13.0)), (10.0, (10.0, 14.0)), (14.0, (14.0,))])
def test_a_late_first_disking_moves_the_second_by_as_much(now_h: float, hours: tuple[float, ...]) -> None:
    found = disk_hours(morning(now_utc=at(now_h)))
    assert found[: len(hours)] == tuple(at(hour) for hour in hours)
    assert found[len(hours)] == at(24 + 9.0)


@pytest.mark.parametrize(("w_pct", "chance"), [(15.9, 1.0), (16.1, 0.0), (12.1, 1.0), (11.9, 0.0)])
def test_a_disked_strip_is_back_where_it_lies_inside_its_window_all_along(w_pct: float, chance: float) -> None:
    path = Disked(disk_utc=(at(9),), w_pct=np.full((N_HOURS, 10), w_pct))
    assert chance_inside(morning(), 0, path, epoch_h(at(10)), 2.0) == chance
