"""The processes in which a service's runs take place: one for each thread that asks, on as many cores as are wanted."""

from __future__ import annotations

import logging
import os
import threading
from collections.abc import Callable

from gonogo.config import Config
from gonogo.service import logs, site_process
from gonogo.service.own_process import OwnProcess, WorkerLostError
from gonogo.service.site_process import Came, SiteTask

log = logging.getLogger("gonogo.service.site_processes")

SHARED_FROM = 5  # sites; fewer are made in the service's own process: to start others takes longer than it saves
SHARE_OF_LIMIT = 0.5  # of the time a run may take: a process that hangs is killed early enough for another try
LEAST_LIMIT_S = 60.0
TRIES = 6  # of processes that died, whoever killed them: a fresh one costs seconds
TRIES_HUNG = 2  # of processes that hung: each costs its share of the limit


def n_wanted(n_workers: int | None, n_sites: int) -> int:
    """Return how many processes are to make the runs, 0 for none beside the own one.

    n_workers   as a person asks for it, None = as many as the machine has cores
    """
    if n_workers is None:
        return 0 if n_sites < SHARED_FROM else min(os.cpu_count() or 1, n_sites)
    return min(n_workers, n_sites)


class SiteProcesses:
    """Makes runs in processes, each thread in its own. A process that hangs or dies costs its site one more try."""

    def __init__(self, config: Callable[[], Config], *, is_scheduled: bool) -> None:
        """Begin without a process.

        config         the one in force; a process that was started with another is replaced
        is_scheduled   a clock starts the runs
        """
        self._config, self._is_scheduled = config, is_scheduled
        self._own = threading.local()
        self._lock = threading.Lock()
        self._all: list[OwnProcess] = []

    def made(self, task: SiteTask, *, run_limit_min: float, lost: Callable[[], object] = lambda: None) -> Came:
        """Return what came of a run. Raises WorkerLostError where its last try, too, cost a process.

        lost   called when a process was lost: what it held can be let go
        """
        limit_s = max(LEAST_LIMIT_S, SHARE_OF_LIMIT * 60.0 * run_limit_min)
        n_hung = 0
        for n_left in reversed(range(TRIES)):
            try:
                return self._process().ask(site_process.run, task, limit_s=limit_s)
            except WorkerLostError as error:
                n_hung += error.hung
                n_left = 0 if n_hung >= TRIES_HUNG else n_left
                noted = {"site": task.site.id, "day": task.day, "edition": task.edition}
                log.error("%s %s", error, "The run is tried again." if n_left else "It is given up.", extra=noted)
                lost()
                if n_left == 0:
                    raise
        raise AssertionError("the last try returns or raises")

    def close(self) -> None:
        """End all processes, whatever they are at."""
        with self._lock:
            every, self._all = self._all, []
        for process in every:
            process.close()

    def _process(self) -> OwnProcess:
        """Return this thread's process for the config in force."""
        config = self._config()
        own: tuple[Config, OwnProcess] | None = getattr(self._own, "held", None)
        if own is not None and own[0] is config:
            return own[1]
        level, as_json = logs.in_force()
        process = OwnProcess(site_process.begin, config.of_sites(()), self._is_scheduled, level, as_json)
        with self._lock:
            if own is not None and own[1] in self._all:
                self._all.remove(own[1])
            self._all.append(process)
        if own is not None:
            own[1].close()
        self._own.held = (config, process)
        return process
