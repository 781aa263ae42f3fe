"""Two services as two processes on one database, with a live mail server, on SQLite and on PostgreSQL."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from email.parser import BytesParser
from email.policy import SMTP
from pathlib import Path

import pytest
from mailserver import MailServer

HERE = Path(__file__).parent
Start = Callable[..., subprocess.Popen[str]]


@pytest.fixture
def start() -> Iterator[Start]:
    """Starts a service that waits for its word, and ends it after the test if it has not ended."""
    started: list[subprocess.Popen[str]] = []

    def start_one(
        url: str, server: MailServer, owner: str, *, n_mails: int, minutes_ahead: int = 0
    ) -> subprocess.Popen[str]:
        arguments = [url, str(server.port), owner, str(n_mails), str(minutes_ahead)]
        process = subprocess.Popen(
            [sys.executable, str(HERE / "one_service.py"), *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": str(HERE.parent)},
        )
        started.append(process)
        return process

    yield start_one
    for process in started:
        if process.poll() is None:
            process.kill()
        process.communicate(timeout=10)


def go(*processes: subprocess.Popen[str]) -> None:
    for process in processes:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
    for process in processes:
        assert process.stdin is not None
        process.stdin.write("go\n")
        process.stdin.flush()


def result(process: subprocess.Popen[str]) -> tuple[int, int]:
    """Mornings run and mails sent by a service that came to its end."""
    out, _ = process.communicate(timeout=60)
    assert process.returncode == 0
    n_mornings, n_sent = out.split()
    return int(n_mornings), int(n_sent)


def message_ids(server: MailServer) -> list[str]:
    return [str(BytesParser(policy=SMTP).parsebytes(raw)["message-id"]) for raw in server.mails]


def test_every_morning_runs_once_and_every_mail_goes_once(
    store_url: str, mail_server: MailServer, start: Start
) -> None:
    first, other = (start(store_url, mail_server, owner, n_mails=40) for owner in ("a", "b"))
    go(first, other)
    results = result(first), result(other)
    assert sum(n_mornings for n_mornings, _ in results) == 10
    assert sum(n_sent for _, n_sent in results) == 40
    assert len(message_ids(mail_server)) == len(set(message_ids(mail_server))) == 40


def test_what_a_killed_service_left_is_taken_over_by_the_other(
    store_url: str, mail_server: MailServer, start: Start
) -> None:
    mail_server.at_data = [None, None, None, 30.0]  # the fourth letter meets silence, and there the process dies
    first = start(store_url, mail_server, "a", n_mails=20)
    second = start(store_url, mail_server, "b", n_mails=20, minutes_ahead=11)
    go(first)
    deadline = time.monotonic() + 30
    while mail_server.at_data and time.monotonic() < deadline:
        time.sleep(0.02)
    assert mail_server.at_data == []
    first.send_signal(signal.SIGKILL)
    first.wait(timeout=10)
    assert len(mail_server.mails) == 3
    go(second)
    assert result(second) == (0, 17)
    assert len(set(message_ids(mail_server))) == 20
    assert len(message_ids(mail_server)) == 20
