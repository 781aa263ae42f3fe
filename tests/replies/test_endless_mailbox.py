"""Mail servers that never come to the end of an answer: no memory is filled, and a command's time is its time."""

from __future__ import annotations

import contextlib
import socket
import time
import tracemalloc
from collections.abc import Callable, Iterator

import pytest
from inbox_scene import KEY
from one_connection import server

from gonogo.inbox import imap_client
from gonogo.inbox.mailbox import InboxError, opened
from gonogo.records.outside import Inbox

MOST_EXTRA_BYTES = 60_000_000
READY = b"* OK [CAPABILITY IMAP4REV1] ready\r\n"


def forever(connection: socket.socket, part: bytes) -> None:
    while True:
        connection.sendall(part)


def greeting(connection: socket.socket) -> None:
    forever(connection, b"* OK welcome" * 5000)


def literal_in_the_greeting(connection: socket.socket) -> None:
    connection.sendall(b"* OK {90000000000}\r\n")
    forever(connection, b"x" * 65_536)


def lines(connection: socket.socket) -> None:
    connection.sendall(READY)
    connection.recv(1000)
    forever(connection, b"* OK more\r\n" * 5000)


def literals(connection: socket.socket) -> None:
    connection.sendall(READY)
    connection.recv(1000)
    forever(connection, b"* 1 FETCH (BODY[] {60000}\r\n" + b"x" * 60_000 + b")\r\n")


def trickle(connection: socket.socket) -> None:
    connection.sendall(READY)
    connection.recv(1000)
    while True:
        connection.sendall(b"* OK more\r\n")
        time.sleep(0.05)


@contextlib.contextmanager
def mailbox(behaviour: Callable[[socket.socket], None]) -> Iterator[Inbox]:
    with server(behaviour) as port:
        yield Inbox(
            kind="imap",
            address="gonogo@example.com",
            key=KEY,
            host="127.0.0.1",
            port=port,
            security="none",
            username="gonogo",
            password="example-password",
        )


@pytest.mark.parametrize("behaviour", [greeting, literal_in_the_greeting, lines, literals])
def test_an_answer_without_end_is_given_up_before_it_fills_the_memory(
    behaviour: Callable[[socket.socket], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(imap_client, "ANSWER_S", 20.0)
    tracemalloc.start()
    try:
        with mailbox(behaviour) as inbox, pytest.raises(InboxError, match="cannot be read"), opened(inbox):
            pass
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < MOST_EXTRA_BYTES


def test_a_server_that_trickles_is_given_up_when_the_commands_time_is_over(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(imap_client, "ANSWER_S", 1.0)
    began_s = time.monotonic()
    with mailbox(trickle) as inbox, pytest.raises(InboxError, match="cannot be read"), opened(inbox):
        pass
    assert 0.8 < time.monotonic() - began_s < 8.0
