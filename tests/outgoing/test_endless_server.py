"""Mail servers that never come to an end: no memory is filled, and the mail's time is its time."""

from __future__ import annotations

import socket
import time
import tracemalloc
from collections.abc import Callable, Iterator

import pytest
from messages import envelope
from one_connection import server

from gonogo.errors import TransportError
from gonogo.outgoing.smtp import Connection
from gonogo.records.outside import Transport

MOST_EXTRA_BYTES = 20_000_000


def _forever(line: bytes) -> Iterator[bytes]:
    while True:
        yield line


def greeting(connection: socket.socket) -> None:
    for part in _forever(b"220-welcome to a server that talks\r\n" * 2000):
        connection.sendall(part)


def one_line(connection: socket.socket) -> None:
    for part in _forever(b"2" * 65_536):
        connection.sendall(part)


def extensions(connection: socket.socket) -> None:
    connection.sendall(b"220 ready\r\n")
    connection.recv(1000)
    for part in _forever(b"250-X-MORE\r\n" * 2000):
        connection.sendall(part)


def trickle(connection: socket.socket) -> None:
    for part in _forever(b"2"):
        connection.sendall(part)
        time.sleep(0.05)


def deliver(port: int, *, security: str = "none", limit_s: float = 60.0) -> None:
    transport = Transport(
        kind="smtp", sender="gonogo@example.com", host="127.0.0.1", port=port, security=security, timeout_s=3.0
    )
    with Connection(transport, mail_limit_s=limit_s) as connection:
        connection.deliver(envelope())


@pytest.mark.parametrize("behaviour", [greeting, one_line, extensions])
def test_an_answer_without_end_is_given_up_before_it_fills_the_memory(
    behaviour: Callable[[socket.socket], None],
) -> None:
    tracemalloc.start()
    try:
        with server(behaviour) as port, pytest.raises(TransportError, match="cannot be used now"):
            deliver(port)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < MOST_EXTRA_BYTES


@pytest.mark.parametrize("security", ["none", "tls"])
def test_a_server_that_trickles_is_cut_when_the_mails_time_is_over(security: str) -> None:
    started = time.monotonic()
    with (
        server(trickle) as port,
        pytest.raises(TransportError, match=r"longer than 0.5 s over one mail|does not speak TLS"),
    ):
        deliver(port, security=security, limit_s=0.5)
    assert time.monotonic() - started < 3.0
