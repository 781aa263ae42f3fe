"""Runs that wait for a forecast that did not come: how often they were tried, and when the next try is due."""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import datetime

from gonogo.outgoing.frame import RunFrame

ASKED_AGAIN_S, ASKED_AGAIN_MOST_S = 15.0, 100.0  # pauses between tries while no forecast comes; our own choice


@dataclass(frozen=True, slots=True)
class AskedAgain:
    """How often a run was put off because no forecast came, when its last try began, and when the next one is due."""

    n_tries: int = 0
    begun_utc: datetime | None = None
    next_s: float = 0.0

    def is_time(self, frame: RunFrame) -> bool:
        """Whether the next try is due; the last one always is."""
        return time.monotonic() >= self.next_s or not frame.may_ask_again

    def once_more(self, frame: RunFrame) -> AskedAgain:
        wait_s = min(ASKED_AGAIN_S * 2.0**self.n_tries, ASKED_AGAIN_MOST_S)
        return AskedAgain(self.n_tries + 1, frame.now_utc, time.monotonic() + wait_s)
