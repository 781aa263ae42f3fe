"""Patience with a lock that another session holds: a step that stored nothing is taken again until it gets its turn."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

from gonogo.errors import StoreBusyError

LONG_S = 90.0  # another's lock of a minute is outlasted; what needs to be told sooner is told by the watch
PAUSE_S = 0.05  # between two tries, for a database that is told not to wait by itself

ReturnT = TypeVar("ReturnT")


def patiently(step: Callable[[], ReturnT], *, limit_s: float = LONG_S) -> ReturnT:
    """Return what a step returns; while it meets another's lock it is taken again at once until limit_s is over.

    step      one transaction, so that one that met a lock has stored nothing. Each try waits by itself for ten seconds

    Raises what the step raises: of a lock once the time is over.
    """
    end = time.monotonic() + limit_s
    while True:
        try:
            return step()
        except StoreBusyError:
            if time.monotonic() >= end:
                raise
        time.sleep(PAUSE_S)
