"""A mail server that a watch covers from its first byte on, and can cut however lively the server seems.

What it answers is bounded too: smtplib reads on until an answer's last line, and a server that never sends one would
fill the memory.
"""

from __future__ import annotations

import contextlib
import os
import smtplib
import socket
import ssl
import threading
from typing import Any, BinaryIO

END_OF_CONTENT = b"\r\n.\r\n"
MOST_LINES, MOST_BYTES = 200, 65_536  # of one answer; the longest that a sound server gives is a few dozen lines


class SendWatch:
    """Cuts a connection when a mail has taken longer than its limit, however lively the server seems."""

    def __init__(self, limit_s: float) -> None:
        self.limit_s = limit_s
        self.has_cut = False
        self._covered: list[socket.socket] = []
        self._lock = threading.Lock()
        self._timer = threading.Timer(limit_s, self._cut)
        self._timer.daemon = True
        self._timer.start()

    def over(self, sock: socket.socket | None) -> None:
        """Cover a connection, through encryption that comes later. Raises TimeoutError where the time is over."""
        if sock is not None and sock.fileno() >= 0:
            with self._lock:
                self._covered.append(socket.socket(fileno=os.dup(sock.fileno())))
        if self.has_cut:
            self._cut()
            raise TimeoutError("the time for this mail is over")

    def end(self) -> None:
        self._timer.cancel()
        with self._lock:
            covered, self._covered = self._covered, []
        for sock in covered:
            sock.close()

    def _cut(self) -> None:
        self.has_cut = True
        with self._lock:
            for sock in self._covered:
                with contextlib.suppress(OSError):
                    sock.shutdown(socket.SHUT_RDWR)


class _Lines:
    """Lines of a server, no more of them for one answer than an answer has."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._n_lines = self._n_bytes = 0

    def begin(self) -> None:
        """Begin a new answer."""
        self._n_lines = self._n_bytes = 0

    def readline(self, limit: int) -> bytes:
        line = self._file.readline(limit)
        self._n_lines += 1
        self._n_bytes += len(line)
        if self._n_lines > MOST_LINES or self._n_bytes > MOST_BYTES:
            raise OSError(f"an answer of more than {MOST_LINES} lines or {MOST_BYTES} bytes")
        return line

    def close(self) -> None:
        self._file.close()


class _Bounded(smtplib.SMTP):
    """Answers no longer than answers are, and patience for the one to a mail's content.

    A server that takes a mail late has taken it: whoever leaves before it says so sends it again (RFC 5321, section
    4.5.3.2.6, wants ten minutes). Only the limit of the watch ends that wait.
    """

    def getreply(self) -> tuple[int, bytes]:
        _bound(self)
        return super().getreply()

    def send(self, s: Any) -> None:
        super().send(s)
        if isinstance(s, bytes) and s.endswith(END_OF_CONTENT) and self.sock is not None:
            self.sock.settimeout(None)

    def data(self, msg: Any) -> tuple[int, bytes]:
        try:
            return super().data(msg)
        finally:
            if self.sock is not None:
                self.sock.settimeout(self.timeout)


class Server(_Bounded):
    """A server that the watch covers from its first byte on: the constructor connects."""

    def __init__(self, host: str, port: int, *, timeout: float, watch: SendWatch) -> None:
        self._watch = watch
        super().__init__(host, port, timeout=timeout)

    def _get_socket(self, host: str, port: int, timeout: float) -> socket.socket:
        sock: socket.socket = super()._get_socket(host, port, timeout)  # type: ignore[misc]
        self._watch.over(sock)
        return sock


class TlsServer(_Bounded, smtplib.SMTP_SSL):
    """The same, encrypted from its first byte on."""

    def __init__(self, host: str, port: int, *, timeout: float, context: ssl.SSLContext, watch: SendWatch) -> None:
        self._watch = watch
        super().__init__(host, port, timeout=timeout, context=context)

    def _get_socket(self, host: str, port: int, timeout: float) -> socket.socket:
        sock: socket.socket = smtplib.SMTP._get_socket(self, host, port, timeout)  # type: ignore[attr-defined]
        self._watch.over(sock)
        return self.context.wrap_socket(sock, server_hostname=host)


def _bound(server: Any) -> None:
    """Let the next answer of a server be no longer than an answer is."""
    if server.file is None and server.sock is not None:
        server.file = _Lines(server.sock.makefile("rb"))
    if isinstance(server.file, _Lines):
        server.file.begin()
