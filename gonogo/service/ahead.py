"""Worker processes that start while the config is read: what they import takes as long as a thousand sites to read.

Imports next to nothing itself: they are to start before anything else is imported.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from gonogo.service.own_process import Starting

SHARED_FROM = 5  # sites; fewer are made in the service's own process: to start others takes longer than it saves
NEEDED = ("pandas", "icalendar")  # by every run; the process that asks for runs does without


def n_wanted(n_workers: int | None, n_sites: int) -> int:
    """Return how many processes are to make the runs, 0 for none beside the own one.

    n_workers   as a person asks for it, None = as many as the machine has cores
    """
    if n_workers is None:
        return 0 if n_sites < SHARED_FROM else min(os.cpu_count() or 1, n_sites)
    return min(n_workers, n_sites)


@contextmanager
def started(sites_folder: Path, n_workers: int | None) -> Iterator[list[Starting]]:
    """Start the processes that the sites of a folder will want; whoever takes one from the list ends it.

    Those that nobody took are killed at the end of the block: the config had faults, or was done already.
    """
    n_sites = sum(1 for _ in sites_folder.glob("*.toml"))
    starting = [Starting(("gonogo.service.site_process", *NEEDED)) for _ in range(n_wanted(n_workers, n_sites))]
    try:
        yield starting
    finally:
        for unused in starting:
            unused.kill()
