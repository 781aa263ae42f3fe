"""When a strip that was disked may be tested again: the same for its way back and for a second test."""

from __future__ import annotations

import numpy as np
import pytest
from hand_made import at

from gonogo.decide.dry_back import REST_H, Disked, last_disking_before, ready_from
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
