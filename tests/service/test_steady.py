"""What a worker asks of its C library: arrays that are made again and again cost no new pages."""

from __future__ import annotations

import platform
import subprocess
import sys

FAULTS = """
import gc, resource, sys
import numpy as np
from gonogo.service import steady
if sys.argv[1] == "settled":
    steady.settle()
    assert gc.get_freeze_count() > 0
for n in (2_500_000, 3_000_000):  # a first time each, which brings pages either way
    np.empty(n).fill(1.0)
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range(10):
    np.empty(2_500_000).fill(1.0)
    np.empty(3_000_000).fill(1.0)
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


def n_faults(how: str) -> int:
    """Pages that the system had to bring for twenty arrays of 20 MB and more."""
    ran = subprocess.run([sys.executable, "-c", FAULTS, how], capture_output=True, text=True, check=True)
    return int(ran.stdout)


def test_arrays_of_one_run_lie_where_those_of_the_last_one_lay() -> None:
    fresh, settled = n_faults("fresh"), n_faults("settled")
    if platform.libc_ver()[0] == "glibc":
        assert settled < 0.5 * fresh, (settled, fresh)
    else:
        assert settled <= 1.1 * fresh + 100, "other libraries do as they do"
