"""A way in that is killed loses nothing and stores nothing twice; `python tests/kill_replies.py` kills 200 times."""

from __future__ import annotations

import sys

import pytest
from kill_replies import kill


@pytest.mark.skipif(sys.platform == "win32", reason="needs fork")
def test_a_way_in_that_is_killed_loses_nothing_and_stores_nothing_twice() -> None:
    count = kill(6, seed=3)
    assert count.kills >= 6
    assert count.entries > 0
    assert count.answers > 0
    assert (count.lost, count.doubled, count.left_in_the_box) == (0, 0, 0)
