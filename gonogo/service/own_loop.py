"""Work that is done again and again in a thread of its own: at once when it is wanted, else after a pause."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import timedelta

from gonogo.service.workers import live_on


class OwnLoop:
    """Takes a step at the start, whenever it is wanted, and after each pause; never two at once.

    However long a step takes, it is not asked for again meanwhile: what is wanted during a step is done right after it.
    The pause is measured by the clock that nobody sets.
    """

    def __init__(self, step: Callable[[], None], pause: timedelta, *, fault_text: str) -> None:
        """fault_text: what is logged of a step that ends in a fault; the next one is taken all the same."""
        self._step, self._pause_s, self._fault_text = step, pause.total_seconds(), fault_text
        self._wanted, self._is_ended = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._loop, daemon=True, name="gonogo-loop")

    def start(self) -> None:
        """Take the first step."""
        self.want()
        self._thread.start()

    def want(self) -> None:
        """Have a step taken at once, or right after the one that is under way."""
        self._wanted.set()

    def end(self) -> None:
        """Take no further step, and wait until the one under way has ended."""
        self._is_ended.set()
        self.want()
        if self._thread.is_alive():
            self._thread.join()

    def _loop(self) -> None:
        while True:
            self._wanted.wait(self._pause_s)
            self._wanted.clear()  # before the step: what comes while it is under way is not lost
            if self._is_ended.is_set():
                return
            live_on(self._step, fault_text=self._fault_text)
