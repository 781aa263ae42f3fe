"""The machine's clock, read here and nowhere else in the service, and the watch that notices when it is set."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime

LEAST_STEP_S = 2.0  # what a clock gains or loses by itself between two checks is far less


def clock_utc() -> datetime:
    """Return the machine's time. The only clock of the service."""
    return datetime.now(UTC)


class StepWatch:
    """Notices that the clock was set, either way, by what it gained on the monotonic clock that nobody can set.

    A machine that slept is one case of it: its monotonic clock stood still meanwhile.
    """

    def __init__(
        self, *, clock: Callable[[], datetime] = clock_utc, monotonic: Callable[[], float] = time.monotonic
    ) -> None:
        self._clock, self._monotonic = clock, monotonic
        self._ahead_s = self._now_ahead_s()

    def step_s(self) -> float:
        """Return by how much the clock was set since this last said so [s]; 0 where it was not."""
        ahead_s = self._now_ahead_s()
        step_s = ahead_s - self._ahead_s
        if abs(step_s) < LEAST_STEP_S:
            return 0.0
        self._ahead_s = ahead_s
        return step_s

    def _now_ahead_s(self) -> float:
        return self._clock().timestamp() - self._monotonic()
