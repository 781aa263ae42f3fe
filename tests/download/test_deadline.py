"""Servers on the loopback that never come to an end: each is given up in time, and its service closed for the round."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import one_connection
import pytest
from bodies import HARROW_FLATS, HARROW_FLATS_BODY, MORNING_UTC

from gonogo.download.forecasts import NoForecastError, forecast
from gonogo.download.web import RoundState
from gonogo.records.outside import ServiceSettings

HEAD = b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\n"
# What comes at once, what trickles after it byte by byte.
TRICKLES = {
    "status": (b"", b"HTTP/1.1 200 " + b"O" * 10_000),
    "headers": (HEAD, b"X-Slow: " + b"a" * 10_000),
    "body of known length": (HEAD + b"Content-Length: 500000\r\n\r\n", b"[" * 10_000),
    "body of unknown length": (HEAD + b"Connection: close\r\n\r\n", b"[" * 10_000),
    "chunks": (HEAD + b"Transfer-Encoding: chunked\r\n\r\n", b"1\r\n[\r\n" * 10_000),
}


@contextmanager
def server(at_once: bytes, then: bytes, pause_s: float = 0.05) -> Iterator[tuple[str, list[float]]]:
    """A server that answers every question so; yields its address and when it was asked."""
    asked: list[float] = []
    done = threading.Event()
    listening = socket.create_server(("127.0.0.1", 0))
    listening.settimeout(0.1)

    def answer(connection: socket.socket) -> None:
        with connection:
            try:
                connection.recv(65_536)
                asked.append(time.monotonic())
                connection.sendall(at_once)
                for byte in then:
                    if done.wait(pause_s):
                        return
                    connection.sendall(bytes([byte]))
            except OSError:
                return

    def serve() -> None:
        while not done.is_set():
            try:
                connection, _ = listening.accept()
            except TimeoutError:
                continue
            connection.settimeout(5.0)
            threading.Thread(target=answer, args=(connection,), daemon=True).start()

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{listening.getsockname()[1]}/v1/forecast", asked
    finally:
        done.set()
        thread.join()
        listening.close()


def settings(url: str, name: str = "open_meteo") -> ServiceSettings:
    return ServiceSettings(name=name, base_url=url, contact="ops@example.com", timeout_s=1.0, retries=2)


def sound() -> tuple[bytes, bytes]:
    return HEAD + f"Content-Length: {len(HARROW_FLATS_BODY)}\r\n\r\n".encode() + HARROW_FLATS_BODY, b""


@pytest.mark.parametrize("where", TRICKLES)
def test_a_server_that_trickles_is_given_up_and_closed_for_the_round(where: str) -> None:
    with server(*TRICKLES[where]) as (url, asked):
        round_state = RoundState()
        for site in (HARROW_FLATS, replace(HARROW_FLATS, id="another")):
            with pytest.raises(NoForecastError) as refusal:
                forecast(site, [settings(url)], now_utc=MORNING_UTC, round_state=round_state)
            assert refusal.value.passing
        round_state.session.close()
    assert "was not whole after 4 s" in str(refusal.value)
    assert len(asked) == 1  # neither again for this site, nor for the next


def test_the_second_service_is_asked_after_one_that_trickles() -> None:
    with server(*TRICKLES["headers"]) as (slow, _), server(*sound()) as (good, asked):
        order = [settings(slow, "open_meteo_ensemble"), settings(good)]
        found = forecast(HARROW_FLATS, order, now_utc=MORNING_UTC)
    assert found.answer.service == "open_meteo"
    assert len(asked) == 1


def test_sites_of_another_service_do_not_wait_for_one_that_trickles() -> None:
    with server(*TRICKLES["chunks"]) as (slow, begun), server(*sound()) as (good, _):
        round_state = RoundState()
        failed: list[Exception] = []

        def ask_slow() -> None:
            try:
                long = settings(slow, "open_meteo_ensemble")
                forecast(HARROW_FLATS, [long], now_utc=MORNING_UTC, round_state=round_state)
            except NoForecastError as error:
                failed.append(error)

        waiting = threading.Thread(target=ask_slow)
        waiting.start()
        while not begun:
            time.sleep(0.01)
        found = forecast(HARROW_FLATS, [settings(good)], now_utc=MORNING_UTC, round_state=round_state)
        assert found.answer.status == 200
        assert waiting.is_alive()
        waiting.join()
        round_state.session.close()
    assert len(failed) == 1


@pytest.mark.parametrize(
    ("first", "pause_s", "told"),
    [
        (b"", 1.5, "was silent for 0.3 s"),
        (HEAD + b"Content-Length: 500000\r\n\r\n", 1.5, "was silent for 0.3 s"),
        (HEAD + b"Content-Length: 500000\r\n\r\n[[[", 0.0, "ended its answer in the middle"),
        (b"no answer of the web\r\n\r\n", 0.0, "gave no whole answer"),
    ],
)
def test_what_is_told_of_an_answer_that_is_not_whole_is_what_happened(first: bytes, pause_s: float, told: str) -> None:
    def behaviour(connection: socket.socket) -> None:
        connection.recv(65_536)
        connection.sendall(first)
        time.sleep(pause_s)

    with one_connection.server(behaviour) as port:
        settings = ServiceSettings(
            name="open_meteo", base_url=f"http://127.0.0.1:{port}/v1/forecast", timeout_s=0.3, retries=0
        )
        with pytest.raises(NoForecastError, match=rf"open_meteo: 127\.0\.0\.1 {told}") as fault:
            forecast(HARROW_FLATS, [settings], now_utc=MORNING_UTC)
        assert fault.value.passing
