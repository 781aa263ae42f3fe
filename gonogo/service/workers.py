"""Threads that run what is put to them and may hang without harm."""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable

log = logging.getLogger("gonogo.service.workers")


WORKERS = 2  # numpy computes outside Python's lock: as many as there are cores on a small machine


MOST_SPARE_WORKERS = 8


class Workers:
    """A few threads that run what is put to them, each key once at a time.

    The threads are daemons: one that hangs holds up neither the others nor the end of the process. What it was at is
    safe: nothing of a run is stored before it is whole.
    """

    def __init__(self, n_workers: int = WORKERS) -> None:
        self._waiting: queue.SimpleQueue[tuple[object, Callable[[], None]]] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._under_way: set[object] = set()
        self._given_up: set[object] = set()
        self._n_spare = 0
        self._is_idle = threading.Condition(self._lock)
        for _ in range(n_workers):
            self._start()

    def put(self, key: object, work: Callable[[], None]) -> bool:
        """Run something in a thread, unless something with the same key still runs or waits."""
        with self._lock:
            if key in self._under_way:
                return False
            self._under_way.add(key)
        self._waiting.put((key, work))
        return True

    def give_up(self, key: object) -> None:
        """Put a fresh thread in the place of the one that is at a key and does not come back."""
        with self._lock:
            is_new = key in self._under_way and key not in self._given_up and self._n_spare < MOST_SPARE_WORKERS
            if is_new:
                self._given_up.add(key)
                self._n_spare += 1
        if is_new:
            self._start()

    def wait(self, timeout_s: float) -> bool:
        """Wait until all is done that was put and not given up; return whether it is."""
        with self._is_idle:
            return self._is_idle.wait_for(lambda: self._under_way <= self._given_up, timeout_s)

    def _start(self) -> None:
        threading.Thread(target=self._work, daemon=True, name="gonogo-run").start()

    def _work(self) -> None:
        while True:
            key, work = self._waiting.get()
            try:
                work()
            except Exception:  # the thread must live for the next run; the watch tells the crews of this one
                log.exception("a run ended in a fault")
            with self._is_idle:
                self._under_way.discard(key)
                is_replaced = key in self._given_up
                self._given_up.discard(key)
                self._n_spare -= is_replaced
                self._is_idle.notify_all()
            if is_replaced:
                return  # it came back after all; its place is taken
