"""A second session that holds a lock of the database in the worst places delays no mail past its time."""

from __future__ import annotations

import threading
import time as time_module
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from example_mornings import example_config, recorded
from fleet_config import many_sites
from mailserver import MailServer
from messages import MORNING, envelope

from gonogo.cli import demo, mornings
from gonogo.download.forecasts import Fetch
from gonogo.errors import StoreError
from gonogo.outgoing import delivery
from gonogo.records.outside import Transport
from gonogo.service.day_queue import DayQueue
from gonogo.service.service import Service
from gonogo.service.workers import Workers
from gonogo.store import outbox, outcomes, patience, postgresql_pool, runs, schema, sqlite_file
from gonogo.store.queued import Envelope
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
    monkeypatch.setattr(postgresql_pool, "LOCK_TIMEOUT_MS", 1000 * SHORT_S)
    monkeypatch.setattr(sqlite_file, "SQLITE_BUSY_TIMEOUT_MS", int(1000 * SHORT_S))
    monkeypatch.setattr(patience, "LONG_S", 0.0)
    monkeypatch.setattr(delivery, "ASKED_FOR_S", 0.0)


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
        assert len(crews) == 5
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


class Locking:
    """Holds a lock from inside a step, until it is told to let go."""

    def __init__(self, url: str, table: str) -> None:
        self._held = held(url, table)
        self.is_held = False

    def hold(self) -> None:
        if not self.is_held:
            self._held.__enter__()
            self.is_held = True

    def let_go(self) -> None:
        self._held.__exit__(None, None, None)


def begun(tmp_path: Path, url: str, fetch: Fetch, n_sites: int = 1, transport: Transport | None = None) -> Service:
    # On PostgreSQL a service keeps its last good config in its config's folder.
    loaded = replace(example_config(tmp_path, store_url=url, transport=transport), folder=tmp_path)
    loaded = loaded if n_sites == 1 else many_sites(loaded, n_sites)
    return Service(loaded, halt=threading.Event(), fetch=fetch, environ={})


@pytest.mark.parametrize("table", ["run", "answer", "message"])
def test_a_lock_that_comes_in_the_middle_of_a_run_costs_it_a_minute_and_no_verdict(
    tmp_path: Path, store_url: str, table: str
) -> None:
    """Not the ten minutes of a claim that nobody could let go, nor a run that says it failed."""
    lock = Locking(store_url, table)

    def locked_meanwhile(*asked: Any) -> Any:
        lock.hold()
        return recorded(*asked)

    running = begun(tmp_path, store_url, locked_meanwhile)
    site = running.sites()[0]
    try:
        running.run_morning(site, demo.DAY, demo.MORNING_UTC)
        assert not running.runner.is_done(site.id, demo.DAY, None)
        lock.let_go()
        running.watch(demo.MORNING_UTC, Workers(1))
        running.run_morning(site, demo.DAY, demo.MORNING_UTC + timedelta(minutes=1))
        assert running.runner.is_done(site.id, demo.DAY, None)
        with schema.read(running.store) as connection:
            run = runs.last_run(connection, site.id, day=demo.DAY)
            assert run is not None
            assert runs.decisions(connection, run.id)[0].facts
            assert sum(m.kind == "morning" for m in outcomes.outcomes(connection)) == 5
    finally:
        running.end()


def test_a_run_outlasts_a_lock_by_itself(tmp_path: Path, store_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """So that a command that nobody starts again makes its mornings all the same."""
    monkeypatch.setattr(patience, "LONG_S", 60.0)
    lock = Locking(store_url, "run")

    def locked_meanwhile(*asked: Any) -> Any:
        lock.hold()
        threading.Timer(3.0 * SHORT_S, lock.let_go).start()
        return recorded(*asked)

    loaded = example_config(tmp_path, store_url=store_url)
    asked = mornings.MorningRequest(sites=loaded.sites, now_utc=demo.MORNING_UTC)
    told: list[str] = []
    mornings.mornings(loaded, asked, say=lambda _: None, tell=told.append, fetch=locked_meanwhile)
    assert "COMPACT" in "".join(told), "its mails are long too late"


def mails_of_ten(url: str) -> sa.Engine:
    store = schema.engine(url)
    upgrade(store)
    with schema.begin(store) as connection:
        outbox.put(connection, [envelope(n) for n in range(10)], now_utc=MORNING)
    return store


class Locked:
    """A transport that has a lock taken before or after a mail goes."""

    def __init__(self, url: str, *, before: bool, row: bool = False) -> None:
        self.url, self.before, self.row, self.gone = url, before, row, list[str]()
        self.locks: list[Any] = []

    def __enter__(self) -> Locked:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def deliver(self, mail: Envelope, is_ours: Callable[[], bool]) -> None:
        if self.before and not self.locks:
            self._lock(mail)
        assert is_ours()
        self.gone.append(mail.message_id)
        if not self.locks:
            self._lock(mail)

    def _lock(self, mail: Envelope) -> None:
        if not self.row:
            self.locks.append(held(self.url, "message"))
        else:
            self.locks.append(held_row(self.url, mail.message_id))
        self.locks[0].__enter__()

    def let_go(self) -> None:
        self.locks[0].__exit__(None, None, None)


@contextmanager
def held_row(url: str, message_id: str) -> Iterator[None]:
    other = sa.create_engine(url.replace("postgresql://", "postgresql+psycopg://"), poolclass=sa.NullPool)
    with other.connect() as connection:
        query = sa.text("select id from message where message_id = :which for update")
        connection.execute(query, {"which": message_id})
        yield
        connection.rollback()
    other.dispose()


@pytest.mark.parametrize("before", [True, False], ids=["before the mail's content", "after it"])
def test_a_lock_over_a_mail_leaves_no_lease_behind(store_url: str, before: bool) -> None:
    store, memory, door = mails_of_ten(store_url), delivery.Memory(), Locked(store_url, before=before)
    worker = delivery.Worker(
        store=store,
        transport=Transport(kind="folder", sender="gonogo@example.com"),
        now_utc=lambda: MORNING,
        owner="a",
        memory=memory,
        open_transport=lambda _: door,
    )
    with pytest.raises(StoreError):
        worker.round()
    door.let_go()
    worker.round()  # at the same moment: not once the lease has run out
    assert len(door.gone) == len(set(door.gone)) == 10
    with schema.read(store) as connection:
        assert {m.state for m in outcomes.outcomes(connection)} == {"sent"}
        assert {m.n_crashes for m in outcomes.outcomes(connection)} == {0}
    store.dispose()


def test_a_mail_whose_row_is_locked_holds_up_no_other(postgresql_url: str) -> None:
    store, memory, door = (
        mails_of_ten(postgresql_url),
        delivery.Memory(),
        Locked(postgresql_url, before=False, row=True),
    )
    worker = delivery.Worker(
        store=store,
        transport=Transport(kind="folder", sender="gonogo@example.com"),
        now_utc=lambda: MORNING,
        owner="a",
        memory=memory,
        open_transport=lambda _: door,
    )
    worker.round()
    assert len(door.gone) == 10
    worker.round()
    door.let_go()
    worker.round()
    assert len(door.gone) == len(set(door.gone)) == 10, "none twice"
    with schema.read(store) as connection:
        assert {m.state for m in outcomes.outcomes(connection)} == {"sent"}
    store.dispose()


def test_many_late_sites_wait_for_a_lock_once_and_are_all_told(
    tmp_path: Path, store_url: str, mail_server: MailServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    running = begun(tmp_path, store_url, recorded, 8, transport(mail_server))
    n_refused, whole = [0], schema.translated

    @contextmanager
    def counted(store: sa.Engine) -> Iterator[None]:
        try:
            with whole(store):
                yield
        except StoreError:
            n_refused[0] += 1
            raise

    monkeypatch.setattr(schema, "translated", counted)
    try:
        running.watch(demo.MORNING_UTC, Workers(1))
        with held(store_url, "run"):
            running.watch(demo.MORNING_UTC + timedelta(minutes=30), Workers(1))
        crews = [e for e in mail_server.envelopes if "operator@example.com" not in e[1]]
        assert len(crews) == 8 * 5
        assert n_refused[0] <= 2, "each try waits for ten seconds"
    finally:
        running.end()


def test_a_morning_that_another_service_made_is_not_told_as_missing(
    tmp_path: Path, postgresql_url: str, mail_server: MailServer
) -> None:
    first = begun(tmp_path, postgresql_url, recorded, 2, transport(mail_server))
    second = begun(tmp_path, postgresql_url, recorded, 2, transport(mail_server))
    try:
        second.watch(demo.MORNING_UTC, Workers(1))
        for site in first.sites():
            first.run_morning(site, demo.DAY, demo.MORNING_UTC)
        second.watch(demo.MORNING_UTC + timedelta(minutes=1), Workers(1))
        n_mails = len(mail_server.mails)
        with held(postgresql_url, "run"):
            second.watch(demo.MORNING_UTC + timedelta(minutes=30), Workers(1))
        told = [e[1] for e in mail_server.envelopes[n_mails:] if "operator@example.com" not in e[1]]
        assert told == []
    finally:
        first.end()
        second.end()


def queue_of(running: Service) -> DayQueue:
    queue = running.work().queue
    assert queue is not None
    return queue


def test_what_is_planned_is_run_though_another_holds_the_plan(tmp_path: Path, postgresql_url: str) -> None:
    running = begun(tmp_path, postgresql_url, recorded, 2)
    try:
        queue = queue_of(running)
        queue.plan(demo.MORNING_UTC - timedelta(hours=12))
        with held(postgresql_url, "plan_made"):
            assert len(queue.take(demo.MORNING_UTC)) == 2
    finally:
        running.end()


def test_a_run_that_could_not_be_given_back_is_given_back_later(
    tmp_path: Path, postgresql_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    running = begun(tmp_path, postgresql_url, recorded, 2)
    try:
        queue = queue_of(running)
        first, second = queue.take(demo.MORNING_UTC)
        monkeypatch.setattr(running.runner, "run_morning", lambda *_: None)
        with held(postgresql_url, "planned_run"):
            queue.run(first, demo.MORNING_UTC)
        again = queue.take(demo.MORNING_UTC + timedelta(minutes=1))
        assert [taken.site.id for taken in again] == [first.site.id]
        assert second.site.id != first.site.id
    finally:
        running.end()
