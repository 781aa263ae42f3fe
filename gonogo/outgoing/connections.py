"""How many connections a round of delivery opens, and what a server's own limit makes of that number."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable

from gonogo.records.outside import Transport

MAILS_EACH = 30  # so many due mails are worth one more connection; our own choice
MOST_UNASKED = 10  # where the config asks for no number; below the 50 that Postfix allows one client by itself
BELIEVED_S = 1800.0  # how long a limit that a server told is kept before one more connection is tried

# 421: service not available; 432, 450 to 454: not now. RFC 5321 section 4.2.3, RFC 4954 section 6.
_CODES = frozenset({421, 432, 450, 451, 452, 454})
_WORDS = re.compile(
    rb"too many|concurrent|simultaneous|connections? (count|limit|rate)|maximum.{0,20} connections",
    re.IGNORECASE,
)


def is_about_connections(step: str, code: int, text: bytes) -> bool:
    """Return whether a server's no means that it has too many connections of ours rather than this mail or login.

    A 421 before the first mail names no reason often enough: whoever has other connections open takes it for this one.
    """
    return code in _CODES and (_WORDS.search(text) is not None or (code == 421 and step in ("greeting", "login")))


class Limit:
    """What one process knows of how many connections its mail server takes. Used by several threads."""

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._lock = threading.Lock()
        self._most: int | None = None
        self._refused_s = 0.0

    def wanted(self, transport: Transport, n_due: int) -> int:
        """Return how many connections to open for so many due mails, at least 1."""
        if transport.kind == "folder":
            return 1
        asked = transport.connections or MOST_UNASKED
        by_mails = min(asked, -(-n_due // MAILS_EACH) if transport.connections is None else n_due)
        with self._lock:
            if self._most is not None and self._monotonic() - self._refused_s >= BELIEVED_S:
                self._most, self._refused_s = self._most + 1, self._monotonic()
            return max(1, by_mails if self._most is None else min(by_mails, self._most))

    def refused_beside(self, n_open: int) -> None:
        """Note that the server refused one more connection beside so many that were open."""
        with self._lock:
            most = max(1, n_open)
            self._most = most if self._most is None else min(self._most, most)
            self._refused_s = self._monotonic()
