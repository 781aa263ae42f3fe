"""A full disk and a locked database: nothing is half stored, nothing that went goes again, and all goes on after."""

from __future__ import annotations

import random
import sqlite3
import threading
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from example_mornings import example_config, run_example
from mailserver import MailServer
from messages import MORNING, envelope

from gonogo.cli import demo
from gonogo.errors import StoreError
from gonogo.outgoing import delivery
from gonogo.records.outside import Transport
from gonogo.store import outbox, outcomes, runs, schema


class Disk:
    """The room that a SQLite database may take: SQLite itself refuses what goes beyond, as it does on a full disk."""

    def __init__(self, store: sa.Engine) -> None:
        self.store, self.n_free = store, None
        sa.event.listen(store, "begin", self._limit)

    n_free: int | None

    def _limit(self, connection: sa.Connection) -> None:
        raw: Any = connection.connection.dbapi_connection
        used = raw.execute("PRAGMA page_count").fetchone()[0]
        most = 1_000_000_000 if self.n_free is None else used + self.n_free
        raw.execute(f"PRAGMA max_page_count={most}")


@pytest.fixture
def disk(sqlite_store: sa.Engine) -> Disk:
    return Disk(sqlite_store)


def states(store: sa.Engine) -> dict[str, int]:
    with schema.read(store) as connection:
        return {state: n for state, n in outcomes.counts(connection, now_utc=MORNING).items() if n}


def test_a_morning_on_a_full_disk_stores_nothing_half_and_runs_when_there_is_room(
    tmp_path: Path, sqlite_store: sa.Engine, disk: Disk
) -> None:
    loaded = example_config(tmp_path)
    disk.n_free = 0
    with pytest.raises(StoreError, match="full"):
        run_example(loaded, sqlite_store)
    disk.n_free = 3  # room for the claim, and not for verdicts and mails
    with pytest.raises(StoreError, match="full"):
        run_example(loaded, sqlite_store, now_utc=demo.MORNING_UTC + timedelta(seconds=1))
    assert states(sqlite_store) == {}
    with schema.read(sqlite_store) as connection:
        assert runs.last_run(connection, "harrow-flats") is None
    disk.n_free = None
    later = demo.MORNING_UTC + timedelta(minutes=11)  # on a full disk the claim could not be given back: it ran out
    assert run_example(loaded, sqlite_store, now_utc=later) is not None
    assert states(sqlite_store) == {"waiting": 5}


def office(store: sa.Engine, server: MailServer, n_mails: int) -> Callable[..., delivery.DeliveryReport]:
    """Put mails into the outbox and return what delivers a round of them."""
    with schema.begin(store) as connection:
        outbox.put(connection, [envelope(n) for n in range(n_mails)], now_utc=MORNING)
    memory = delivery.Memory()
    transport = Transport(
        kind="smtp", sender="gonogo@example.com", host=server.host, port=server.port, security="none", timeout_s=5.0
    )

    def work(**changes: Any) -> delivery.DeliveryReport:
        named = {"now_utc": lambda: MORNING, "owner": "a", "rng": random.Random(1), "memory": memory} | changes
        return delivery.Worker(store=store, transport=transport, **named).round()

    return work


def test_a_database_that_stays_locked_while_mails_go_out_sends_none_of_them_twice(
    sqlite_store: sa.Engine, mail_server: MailServer, tmp_path: Path
) -> None:
    work = office(sqlite_store, mail_server, 5)
    real = delivery.Connection.deliver
    n_delivered = 0

    def deliver(self: delivery.Connection, *arguments: Any) -> None:
        nonlocal n_delivered
        real(self, *arguments)
        n_delivered += 1
        if n_delivered == 2:  # from here on another program holds the database, and no mark can be stored
            blocker.execute("BEGIN IMMEDIATE")

    blocker = sqlite3.connect(tmp_path / "gonogo.db", isolation_level=None, timeout=0.1)
    sa.event.listen(sqlite_store, "connect", lambda raw, _: raw.execute("PRAGMA busy_timeout=50"))
    sqlite_store.dispose()
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(delivery.Connection, "deliver", deliver)
        with pytest.raises(StoreError, match="locked"):
            work()
    assert len(mail_server.mails) == 2
    blocker.execute("ROLLBACK")
    blocker.close()
    work()
    assert states(sqlite_store) == {"sent": 5}
    assert len(mail_server.mails) == 5


@pytest.fixture
def locked(sqlite_store: sa.Engine, tmp_path: Path) -> Iterator[threading.Timer]:
    """The database, locked by another program for half a second."""
    other = sqlite3.connect(tmp_path / "gonogo.db", isolation_level=None, check_same_thread=False)
    other.execute("BEGIN IMMEDIATE")
    timer = threading.Timer(0.5, lambda: other.execute("ROLLBACK"))
    timer.start()
    yield timer
    timer.join()
    other.close()


def test_a_database_that_another_program_locks_for_a_moment_is_waited_for(
    locked: threading.Timer, sqlite_store: sa.Engine
) -> None:
    with schema.begin(sqlite_store) as connection:
        assert outbox.put(connection, [envelope(1)], now_utc=MORNING) == 1
    assert locked.finished.is_set()


def test_looking_does_not_wait_for_a_writer(locked: threading.Timer, sqlite_store: sa.Engine) -> None:
    assert states(sqlite_store) == {}
    assert not locked.finished.is_set()
