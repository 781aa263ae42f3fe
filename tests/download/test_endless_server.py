"""Weather servers that never come to an end, as fast as they can: no memory is filled, and a question has its time."""

from __future__ import annotations

import gzip
import socket
import tracemalloc
from functools import partial

import pytest
from bodies import HARROW_FLATS, MORNING_UTC
from one_connection import server

from gonogo.download.forecasts import NoForecastError, forecast
from gonogo.records.outside import ServiceSettings

MOST_EXTRA_BYTES = 100_000_000
HEAD = b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\n"
CHUNKED = HEAD + b"Transfer-Encoding: chunked\r\n\r\n"
TWICE = gzip.compress(gzip.compress(b" " * 100_000_000))
# What comes first, and what comes for ever after it.
ENDLESS = {
    "a status line": (b"", b"H" * 65_536),
    "answers before the answer": (b"", b"HTTP/1.1 100 Continue\r\n\r\n" * 2000),
    "one header": (HEAD, b"X" * 65_536),
    "headers": (HEAD, b"X: y\r\n" * 10_000),
    "the size of a chunk": (CHUNKED, b"1" * 65_536),
    "chunks": (CHUNKED, b"10000\r\n" + b"[" * 65_536 + b"\r\n"),
    "a line after the chunks": (CHUNKED + b"1\r\n[\r\n0\r\n", b"X" * 65_536),
    "lines after the chunks": (CHUNKED + b"1\r\n[\r\n0\r\n", b"X: y\r\n" * 10_000),
    "a body packed twice": (HEAD + b"Content-Encoding: gzip, gzip\r\n\r\n" + TWICE, TWICE),
    "a body that is no forecast": (HEAD + b"\r\n", b"[]," * 20_000),
}


def pour(first: bytes, then: bytes, connection: socket.socket) -> None:
    connection.recv(65_536)
    connection.sendall(first)
    while True:
        connection.sendall(then)


@pytest.mark.parametrize("what", ENDLESS)
def test_an_answer_without_end_is_given_up_before_it_fills_the_memory(what: str) -> None:
    with server(partial(pour, *ENDLESS[what])) as port:
        url = f"http://127.0.0.1:{port}/v1/forecast"
        settings = ServiceSettings(name="open_meteo", base_url=url, contact="ops@example.com", timeout_s=0.5, retries=0)
        tracemalloc.start()
        try:
            with pytest.raises(NoForecastError):
                forecast(HARROW_FLATS, [settings], now_utc=MORNING_UTC)
            _, peak = tracemalloc.get_traced_memory()
        finally:
            tracemalloc.stop()
    assert peak < MOST_EXTRA_BYTES
