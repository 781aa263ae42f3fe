"""What a process that makes one run after another asks of the collector and of the allocator."""

from __future__ import annotations

import ctypes
import gc
import os

# The collector looks for cycles after so many new objects, in place of 700: a run makes 200,000 and leaves few cycles.
OBJECTS_BEFORE_LOOK = 20_000
# Of arrays that a run lets go, the C library keeps up to so much for the next ones. It is given back to the system and
# asked for again otherwise, which costs a fault for each page: 40,000 of them for a site of 10 strips.
M_TRIM_THRESHOLD, KEPT_BYTES = -1, 128 * 1024 * 1024
M_MMAP_THRESHOLD, LARGEST_KEPT_BYTES = -3, 32 * 1024 * 1024


def settle() -> None:
    """Make ready for many runs; called once all that is held from run to run is there."""
    # What is held from here on, modules and config, is no garbage: the collector need not look at it again and again.
    gc.collect()
    gc.freeze()
    gc.set_threshold(OBJECTS_BEFORE_LOOK, 20, 20)
    if os.name == "posix":
        adjust = getattr(ctypes.CDLL(None), "mallopt", None)  # of the GNU C library; others go without
        if adjust is not None:
            adjust(M_TRIM_THRESHOLD, KEPT_BYTES)
            adjust(M_MMAP_THRESHOLD, LARGEST_KEPT_BYTES)
