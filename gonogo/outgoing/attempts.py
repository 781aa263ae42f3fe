"""What may fail in a mail costs only itself: a plainer one is made instead, and the fault is told to the operator."""

from __future__ import annotations

import logging
import traceback
from collections.abc import Callable, Iterable
from typing import TypeVar

log = logging.getLogger("gonogo.outgoing.attempts")

MadeT = TypeVar("MadeT")


def first_made(makers: Iterable[Callable[[], MadeT]], *, what: str) -> tuple[MadeT | None, tuple[str, ...]]:
    """Return what the first of several makers makes that does not fail, None where each does; and the faults met.

    makers   the whole first, then what is plainer and still worth having
    what     what is made, for the log
    """
    faults: list[str] = []
    for maker in makers:
        try:
            return maker(), tuple(faults)
        except Exception as error:  # the one broad catch of a mail: no fault costs anybody more than this part of it
            log.exception("%s failed", what)
            faults.append(trace(error))
    return None, tuple(faults)


def trace(error: Exception) -> str:
    """Return an error with where it came from, for the record of the run."""
    return "".join(traceback.format_exception(error))
