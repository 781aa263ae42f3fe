"""Shares of an hour, and of more than one."""

from __future__ import annotations

import numpy as np
import pytest

from gonogo.soil import drainage


def test_a_share_of_each_hour_leaves_what_so_many_hours_leave() -> None:
    left = 1.0
    for _ in range(24):
        left *= 1.0 - 0.05
    assert drainage.share_in_step(0.05, 24.0) == pytest.approx(1.0 - left)
    assert drainage.share_in_step(np.array([0.0, 0.05, 1.0]), 1.0) == pytest.approx([0.0, 0.05, 1.0])
    assert drainage.share_in_step(1.0, 0.5) == 1.0


def test_after_its_time_37_per_cent_is_left() -> None:
    for time_h in (1.0, 24.0, 72.0):
        left = 1.0 - drainage.share_in_step(drainage.share_of_hour(time_h), time_h)
        assert left == pytest.approx(0.368, abs=0.001)
