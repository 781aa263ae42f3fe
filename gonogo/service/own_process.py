"""A process that works for one thread: killed where it hangs, replaced where it died; what it was at is asked again."""

from __future__ import annotations

import logging
import os
import signal
import threading
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing.context import SpawnContext, SpawnProcess
from typing import Any, TypeVar

from gonogo.errors import GonogoError
from gonogo.outgoing.in_process import begin_in_process

log = logging.getLogger("gonogo.service.own_process")

ReturnT = TypeVar("ReturnT")
END_LIMIT_S = 10.0  # of a process that was killed
START_LIMIT_S = 120.0  # of a fresh process, its imports included, on a machine that is busy


class WorkerLostError(GonogoError):
    """The process died over what was asked of it, or took so long that it was killed: then it `hung`."""

    def __init__(self, text: str, *, hung: bool = False) -> None:
        super().__init__(text)
        self.hung = hung


class OwnProcess:
    """One process that is started when it is first needed. Not to be shared between threads.

    begin   called in each fresh process with `arguments` before anything else; both must be picklable
    """

    def __init__(self, begin: Callable[..., None], *arguments: Any) -> None:
        self._begin, self._arguments = begin, arguments
        self._pool: ProcessPoolExecutor | None = None
        self._context = _Fresh()
        self._pid = 0

    def ask(self, function: Callable[..., ReturnT], *arguments: Any, limit_s: float) -> ReturnT:
        """Return what a function of a module returns there. Raises what it raises, and WorkerLostError.

        limit_s   how long it may take; then the process is killed
        """
        try:
            pool = self._started()
            return pool.submit(function, *arguments).result(timeout=limit_s)
        except BrokenProcessPool as error:
            raise self._lost("died") from error
        except TimeoutError as error:
            raise self._lost(f"was killed: it took longer than {limit_s:.0f} s", hung=True) from error

    def _lost(self, how: str, *, hung: bool = False) -> WorkerLostError:
        which = self._pid or "that was starting"
        self.close()
        return WorkerLostError(f"The worker process {which} {how}.", hung=hung)

    def close(self) -> None:
        """Kill the process, whatever it is at."""
        pool, self._pool, self._pid = self._pool, None, 0
        if pool is not None:
            self._context.kill()
            pool.shutdown(wait=False, cancel_futures=True)

    def _started(self) -> ProcessPoolExecutor:
        if self._pool is not None:
            return self._pool
        self._context = _Fresh()
        pool = self._pool = ProcessPoolExecutor(1, mp_context=self._context, initializer=_begin)
        try:
            self._pid = pool.submit(os.getpid).result(timeout=START_LIMIT_S)
            error = pool.submit(self._begin, *self._arguments).exception(timeout=START_LIMIT_S)
        except TimeoutError as slow:
            raise self._lost(f"was killed: it did not start in {START_LIMIT_S:.0f} s", hung=True) from slow
        if isinstance(error, BrokenProcessPool):
            raise error
        if error is not None:
            raise self._lost(f"could not begin: {error}") from error
        log.debug("worker process %d has started", self._pid)
        return pool


class _Fresh(SpawnContext):
    """Starts fresh processes, since a copy of one with threads could carry a lock that nobody opens; knows which."""

    def __init__(self) -> None:
        super().__init__()
        self._made: list[SpawnProcess] = []

    def Process(self, *arguments: Any, **named: Any) -> SpawnProcess:  # type: ignore[override]
        made = SpawnProcess(*arguments, **named)
        self._made.append(made)
        return made

    def kill(self) -> None:
        """Kill what was started, whether it has told of itself or not, and wait until it is gone."""
        for process in self._made:
            if process.pid is not None:
                process.kill()
                process.join(END_LIMIT_S)  # its pipe closes a moment before the process table says so


def _begin() -> None:
    begin_in_process()
    if hasattr(signal, "SIGTERM"):  # whoever stops the service lets the run under way end
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
    threading.current_thread().name = "gonogo-worker"
