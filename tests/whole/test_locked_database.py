"""A second session that holds a lock of the database in the worst places delays no mail past its time."""

from __future__ import annotations

import threading
import time as time_module
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa
from example_mornings import example_config, recorded
from mailserver import MailServer
from messages import MORNING, envelope

from gonogo.cli import demo
from gonogo.errors import StoreError
from gonogo.outgoing import delivery
from gonogo.records.outside import Transport
from gonogo.service.service import Service
from gonogo.service.workers import Workers
from gonogo.store import outbox, outcomes, schema, sqlite_file
from gonogo.store.upgrade import upgrade

SHORT_S = 0.5  # stands for the ten seconds that a step waits for a lock
PLACES = ("message", "run", "planned_run")


@contextmanager
def held(url: str, table: str) -> Iterator[None]:
    """Hold a lock in a session of another program: of a table, of the whole file on SQLite."""
    other = sa.create_engine(url.replace("postgresql://", "postgresql+psycopg://"), poolclass=sa.NullPool)
    with other.connect() as connection:
        if other.dialect.name == "sqlite":
            connection.exec_driver_sql("begin immediate")
        else:
            connection.exec_driver_sql(f"lock table {table} in access exclusive mode")
        yield
        connection.rollback()
    other.dispose()


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(schema, "LOCK_TIMEOUT_MS", 1000 * SHORT_S)
    monkeypatch.setattr(sqlite_file, "SQLITE_BUSY_TIMEOUT_MS", int(1000 * SHORT_S))


@pytest.mark.parametrize("table", PLACES)
def test_a_run_that_meets_a_lock_is_made_once_it_is_gone(tmp_path: Path, store_url: str, table: str) -> None:
    running = Service(example_config(tmp_path, store_url=store_url), halt=threading.Event(), fetch=recorded, environ={})
    site = running.sites()[0]
    try:
        with held(store_url, table):
            began = time_module.monotonic()
            running.run_morning(site, demo.DAY, demo.MORNING_UTC)
            assert time_module.monotonic() - began < 60.0, "it waits for no lock without end"
            assert not running.runner.is_done(site.id, demo.DAY, None)
        running.run_morning(site, demo.DAY, demo.MORNING_UTC + timedelta(minutes=1))
        assert running.runner.is_done(site.id, demo.DAY, None)
        with schema.read(running.store) as connection:
            assert sum(m.kind == "morning" for m in outcomes.outcomes(connection)) == 5
    finally:
        running.end()


def test_a_lock_that_lasts_over_the_mail_time_costs_nobody_a_word(
    tmp_path: Path, store_url: str, mail_server: MailServer
) -> None:
    """The notices go out at the mail time past the outbox."""
    to = transport(mail_server)
    loaded = example_config(tmp_path, store_url=store_url, transport=to)
    running = Service(loaded, halt=threading.Event(), fetch=recorded, environ={})
    try:
        with held(store_url, "run"):
            running.watch(demo.MORNING_UTC, Workers(1))
            running.watch(demo.MORNING_UTC + timedelta(minutes=30), Workers(1))
        crews = [e for e in mail_server.envelopes if "operator@example.com" not in e[1]]
        assert len(crews) == 6
    finally:
        running.end()


def transport(server: MailServer) -> Transport:
    return Transport(
        kind="smtp", sender="gonogo@example.com", host=server.host, port=server.port, security="none", timeout_s=20.0
    )


def test_mails_that_meet_a_lock_go_once_and_as_soon_as_it_is_gone(store_url: str, mail_server: MailServer) -> None:
    store = schema.engine(store_url)
    upgrade(store)
    with schema.begin(store) as connection:
        outbox.put(connection, [envelope(n) for n in range(10)], now_utc=MORNING)
    memory = delivery.Memory()

    def worked() -> int:
        worker = delivery.Worker(
            store=store, transport=transport(mail_server), now_utc=lambda: MORNING, owner="a", memory=memory
        )
        return len(worker.round().sent)

    with held(store_url, "message"), pytest.raises(StoreError):
        worked()
    assert worked() == 10
    assert len(mail_server.mails) == 10
    store.dispose()
