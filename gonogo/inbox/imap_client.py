"""An IMAP connection with an end: what a server answers to one command is bounded in bytes, lines and time.

The library keeps whatever a server sends until it says that it is done. `read`, `readline` and `send` are what it lets
others override.
"""

from __future__ import annotations

import contextlib
import imaplib
import ssl
import time
from collections.abc import Callable
from typing import Any

from imap_tools import BaseMailBox

from gonogo.download.deadline import Deadline
from gonogo.records.outside import Inbox

TIMEOUT_S = 30.0  # from byte to byte
ANSWER_S = 120.0  # of reading, in all, for one command
MOST_BYTES = 16_000_000  # fifty mails of 64 kB are 3.3 MB
MOST_LINES = 5_000


class _Bounded(imaplib.IMAP4):
    """Counts what is read since something was sent last."""

    n_bytes = n_lines = 0
    took_s = 0.0

    def send(self, data: Any) -> None:
        self.n_bytes = self.n_lines = 0
        self.took_s = 0.0
        super().send(data)

    def read(self, size: int) -> bytes:
        self._require(size)
        return self._timed(lambda: super(_Bounded, self).read(size))

    def readline(self) -> bytes:
        line = self._timed(super().readline)
        self.n_lines += 1
        self._require(len(line))
        return line

    def _require(self, n_bytes: int) -> None:
        """Raise where an answer has grown, or would grow, beyond what any mailbox says."""
        self.n_bytes += n_bytes
        if self.n_bytes > MOST_BYTES or self.n_lines > MOST_LINES:
            raise self.abort(f"an answer of over {MOST_BYTES // 1_000_000} MB or {MOST_LINES} lines, given up")

    def _timed(self, read: Callable[[], bytes]) -> bytes:
        """Return what is read, within what is left of the command's time."""
        began_s = time.monotonic()
        with Deadline(max(ANSWER_S - self.took_s, 0.01)) as stop:
            stop.watches(self.sock)
            found = read()
        self.took_s += time.monotonic() - began_s
        if stop.is_over:
            raise self.abort(f"no whole answer in {ANSWER_S:.0f} s, given up")
        return found


class _EncryptedImap(_Bounded, imaplib.IMAP4_SSL):
    """The same, encrypted from the first byte."""


class BoundedMailBox(BaseMailBox):
    """The library's mailbox over a bounded connection, encrypted as the config says."""

    def __init__(self, inbox: Inbox) -> None:
        self._inbox = inbox
        super().__init__()

    def _get_mailbox_client(self) -> imaplib.IMAP4:
        """Return the open connection: what each mailbox of the library makes for itself."""
        host, port = str(self._inbox.host), self._inbox.port
        if self._inbox.security == "none":
            return _Bounded(host, port, timeout=TIMEOUT_S)
        trusted = ssl.create_default_context()
        if self._inbox.ca_file is not None:
            trusted.load_verify_locations(self._inbox.ca_file)
        if self._inbox.security == "tls":
            return _EncryptedImap(host, port, ssl_context=trusted, timeout=TIMEOUT_S)
        client = _Bounded(host, port, timeout=TIMEOUT_S)
        try:
            client.starttls(trusted)
        except (imaplib.IMAP4.error, OSError):
            with contextlib.suppress(OSError):
                client.shutdown()
            raise
        return client
