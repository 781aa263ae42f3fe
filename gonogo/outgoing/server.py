"""A mail server that a watch covers from its first byte on, and can cut however lively the server seems."""

from __future__ import annotations

import contextlib
import smtplib
import socket
import ssl
import threading
from typing import Any


class Watch:
    """Cuts a connection when a mail has taken longer than its limit, however lively the server seems."""

    def __init__(self, limit_s: float) -> None:
        self.limit_s = limit_s
        self.has_cut = False
        self._server: smtplib.SMTP | None = None
        self._timer = threading.Timer(limit_s, self._cut)
        self._timer.daemon = True
        self._timer.start()

    def over(self, server: smtplib.SMTP) -> None:
        self._server = server
        if self.has_cut:
            raise TimeoutError("the time for this mail is over")

    def end(self) -> None:
        self._timer.cancel()

    def _cut(self) -> None:
        self.has_cut = True
        sock = None if self._server is None else self._server.sock
        if sock is not None:
            with contextlib.suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)


class Server(smtplib.SMTP):
    """A server that the watch covers from its first byte on: the constructor connects."""

    def __init__(self, host: str, port: int, *, timeout: float, watch: Watch) -> None:
        self._watch = watch
        super().__init__(host, port, timeout=timeout)

    def connect(self, *arguments: Any, **named: Any) -> tuple[int, bytes]:
        self._watch.over(self)
        return super().connect(*arguments, **named)


class TlsServer(smtplib.SMTP_SSL):
    """The same, encrypted from its first byte on."""

    def __init__(self, host: str, port: int, *, timeout: float, context: ssl.SSLContext, watch: Watch) -> None:
        self._watch = watch
        super().__init__(host, port, timeout=timeout, context=context)

    def connect(self, *arguments: Any, **named: Any) -> tuple[int, bytes]:
        self._watch.over(self)
        return super().connect(*arguments, **named)
