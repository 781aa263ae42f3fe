"""One total time for a question over HTTP: connecting, encryption, headers and body, however lively the other side.

A time-out of the socket counts from byte to byte, so a server that sends one now and then is never given up. Here a
timer cuts every connection that the question has open when its time is over; a read that waits then ends at once.
"""

from __future__ import annotations

import contextlib
import os
import socket
import threading
from types import TracebackType
from typing import Any

import requests
import urllib3
from requests.adapters import HTTPAdapter
from urllib3.connection import HTTPConnection, HTTPSConnection

_of_thread = threading.local()


class Deadline:
    """Holds for what the thread asks within the block. is_over: the time was up, and what was open has been cut."""

    def __init__(self, limit_s: float) -> None:
        self.is_over = False
        self._lock = threading.Lock()
        self._open: list[socket.socket] = []
        self._timer = threading.Timer(limit_s, self._cut)
        self._timer.daemon = True

    def __enter__(self) -> Deadline:
        _of_thread.deadline = self
        self._timer.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._timer.cancel()
        _of_thread.deadline = None
        with self._lock:
            watched, self._open = self._open, []
        for sock in watched:
            with contextlib.suppress(OSError):
                sock.close()

    def watches(self, sock: socket.socket) -> None:
        """Cut a connection too when the time is over. It is watched under a number of its own, through encryption."""
        with self._lock:
            self._open.append(socket.socket(fileno=os.dup(sock.fileno())))
        if self.is_over:
            self._cut()

    def _cut(self) -> None:
        self.is_over = True
        with self._lock:
            for sock in self._open:
                with contextlib.suppress(OSError):
                    sock.shutdown(socket.SHUT_RDWR)


def _watched(sock: Any) -> None:
    deadline: Deadline | None = getattr(_of_thread, "deadline", None)
    if deadline is not None and isinstance(sock, socket.socket) and sock.fileno() >= 0:
        deadline.watches(sock)


class _Plain(HTTPConnection):
    """A connection that the deadline of its thread covers from its first byte on, made again or used again."""

    def _new_conn(self) -> socket.socket:
        sock = super()._new_conn()
        _watched(sock)
        return sock

    def request(self, *arguments: Any, **named: Any) -> None:
        _watched(self.sock)
        super().request(*arguments, **named)


class _Encrypted(HTTPSConnection):
    """The same, encrypted."""

    def _new_conn(self) -> socket.socket:
        sock = super()._new_conn()
        _watched(sock)
        return sock

    def request(self, *arguments: Any, **named: Any) -> None:
        _watched(self.sock)
        super().request(*arguments, **named)


class _PlainPool(urllib3.HTTPConnectionPool):
    ConnectionCls = _Plain


class _EncryptedPool(urllib3.HTTPSConnectionPool):
    ConnectionCls = _Encrypted


class _Adapter(HTTPAdapter):
    def init_poolmanager(self, *arguments: Any, **named: Any) -> None:
        super().init_poolmanager(*arguments, **named)
        self.poolmanager.pool_classes_by_scheme = {"http": _PlainPool, "https": _EncryptedPool}


def timed_session() -> requests.Session:
    """Return a session whose connections a Deadline can cut."""
    session = requests.Session()
    session.mount("http://", _Adapter())
    session.mount("https://", _Adapter())
    return session
