"""Threads that run what is put to them and may hang without harm."""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TypeVar

log = logging.getLogger("gonogo.service.workers")

ItemT = TypeVar("ItemT")

WORKERS = 2  # threads of a service that makes its runs itself: one may wait for an answer meanwhile
MOST_SPARE_WORKERS = 8
# Beside a run that hangs stand others of its group, and new ones of other groups come all the while.
MOST_PASSED_OVER = 25


def live_on(step: Callable[[], None], *, fault_text: str) -> None:
    """Take a step of a thread that must live on for the next one, whatever fault this one meets: it is logged."""
    try:
        step()
    except Exception:  # the one broad catch of the service's threads
        log.exception(fault_text)


class Workers:
    """A few threads that run what is put to them, each key once at a time.

    The threads are daemons: one that hangs holds up neither the others nor the end of the process. What it was at is
    safe: nothing of a run is stored before it is whole.
    """

    def __init__(self, n_workers: int = WORKERS) -> None:
        self._waiting: deque[_Put] = deque()
        self._later: deque[_Put] = deque()
        self._lock = threading.Lock()
        self._has_work = threading.Condition(self._lock)
        self._at: dict[int, object] = {}  # by thread: the group that it took last
        self._under_way: set[object] = set()
        self._given_up: set[object] = set()
        self._can_wait: set[object] = set()
        self._is_stopped = False
        self._n_spare = 0
        self._is_idle = threading.Condition(self._lock)
        for _ in range(n_workers):
            self._start()

    def put(self, key: object, work: Callable[[], None], group: object = None, *, can_wait: bool = False) -> bool:
        """Run something in a thread, unless something with the same key still runs or waits.

        group     what a thread has begun it goes on with, where it can: what it learned serves the next of the group
        can_wait  it is taken once nothing else waits, and no stop waits for it
        """
        with self._has_work:
            if key in self._under_way or self._is_stopped:
                return False
            self._under_way.add(key)
            if can_wait:
                self._can_wait.add(key)
            (self._later if can_wait else self._waiting).append(_Put(key, work, group))
            self._has_work.notify()
        return True

    @property
    def n_waiting(self) -> int:
        """How much has been put that no thread is at yet, but for what can wait."""
        return len(self._waiting)

    def give_up(self, key: object) -> None:
        """Replace the thread that is busy with a key and does not come back."""
        with self._lock:
            is_new = key in self._under_way and key not in self._given_up and self._n_spare < MOST_SPARE_WORKERS
            if is_new:
                self._given_up.add(key)
                self._n_spare += 1
        if is_new:
            self._start()

    def wait(self, timeout_s: float) -> bool:
        """Wait until all is done that was put and not given up; return whether it is.

        Once stopped, only what is under way is waited for, and nothing that can wait.
        """
        with self._is_idle:
            return self._is_idle.wait_for(lambda: self._awaited() <= self._given_up, timeout_s)

    def stop(self) -> None:
        """Begin nothing more: what no thread is at yet is forgotten, and nothing new is taken."""
        with self._is_idle:
            self._is_stopped = True
            self._under_way -= {put.key for put in (*self._waiting, *self._later)}
            self._waiting.clear()
            self._later.clear()
            self._is_idle.notify_all()

    def until_stopped(self, items: Iterable[ItemT]) -> Iterator[ItemT]:
        """Give one item after the other, and none once this is stopped."""
        for item in items:
            if self._is_stopped:
                return
            yield item

    def _awaited(self) -> set[object]:
        return self._under_way - self._can_wait if self._is_stopped else self._under_way

    def _start(self) -> None:
        threading.Thread(target=self._work, daemon=True, name="gonogo-run").start()

    def _work(self) -> None:
        while True:
            key, work = self._taken()
            live_on(work, fault_text="a run ended in a fault")  # the watch tells its crews
            with self._is_idle:
                self._under_way.discard(key)
                self._can_wait.discard(key)
                is_replaced = key in self._given_up
                self._given_up.discard(key)
                self._n_spare -= is_replaced
                self._is_idle.notify_all()
            if is_replaced:
                with self._lock:
                    self._at.pop(threading.get_ident(), None)
                return  # it came back after all; its place is taken

    def _taken(self) -> tuple[object, Callable[[], None]]:
        """Take what is next: of this thread's own group, else of one that no other is at, else what waits longest."""
        me = threading.get_ident()
        with self._has_work:
            self._has_work.wait_for(lambda: bool(self._waiting or self._later))
            if not self._waiting:
                put = self._later.popleft()
                self._at[me] = put.group
                return put.key, put.work
            others = {group for thread, group in self._at.items() if thread != me}
            chosen = chosen_of([put.group for put in self._waiting], self._at.get(me), others)
            first = self._waiting[0]
            if chosen > 0:
                first.n_passed_over += 1
                if first.n_passed_over > MOST_PASSED_OVER:
                    chosen = 0
            put = self._waiting[chosen]
            del self._waiting[chosen]
            self._at[me] = put.group
            return put.key, put.work


@dataclass(slots=True)
class _Put:
    """What waits for a thread. n_passed_over: how often another went before it though it was first."""

    key: object
    work: Callable[[], None]
    group: object
    n_passed_over: int = 0


def chosen_of(groups: Sequence[object], own: object, others: Collection[object]) -> int:
    """Return which of those that wait a thread takes: its own group's, else one's that no other is at, else the first.

    groups   of those that wait, not empty; None is of no group and is taken where it is first
    own      the group that the thread took last; others: those of the other threads
    """
    if groups[0] is None:
        return 0
    chosen = next((n for n, group in enumerate(groups) if group == own), -1)
    if chosen < 0:
        chosen = next((n for n, group in enumerate(groups) if group not in others), 0)
    return chosen
