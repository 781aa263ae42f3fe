"""A start that cannot run, a late one, and a database that fails: crews and operator are told all the same."""

from __future__ import annotations

import json
import shutil
import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from email import policy
from email.parser import BytesParser
from pathlib import Path

import pytest
from example_mornings import example_config, recorded
from fleet_config import many_sites

from gonogo.cli import demo
from gonogo.config import Config
from gonogo.errors import ConfigError, Fault, StoreError
from gonogo.outgoing.direct import Direct
from gonogo.records.outside import Watch
from gonogo.service import last_good, standby
from gonogo.service.last_good import LastGood
from gonogo.service.service import Service
from gonogo.service.workers import Workers
from gonogo.store import outcomes, schema

MINUTE = timedelta(minutes=1)
MAIL_AT_UTC = datetime.fromisoformat("2026-05-12T10:30:00+00:00")
BROKEN = ConfigError([Fault(place="gonogo.toml", key="use", value="x", wrong="no such use.", right="Write one.")])


def written(loaded: Config) -> list[tuple[str, str]]:
    """Return (to, text) of every mail in the folder of the config's transport."""
    assert loaded.transport.folder is not None
    found = []
    for path in sorted(loaded.transport.folder.rglob("*.eml")):
        mail = BytesParser(policy=policy.default).parsebytes(path.read_bytes())
        body = mail.get_body(("plain",))
        found.append((str(mail["to"]), "" if body is None else str(body.get_content())))
    return found


@pytest.fixture
def loaded(tmp_path: Path) -> Config:
    config = example_config(tmp_path)
    shutil.copytree(config.folder, tmp_path / "config")
    transport = replace(config.transport, kind="folder", folder=tmp_path / "mails")
    return replace(
        config, folder=tmp_path / "config", transport=transport, watch=Watch(health_file=tmp_path / "health.json")
    )


@pytest.mark.parametrize("fault", [BROKEN, StoreError("database disk image is malformed.")])
def test_a_start_that_cannot_run_tells_operator_crews_and_health_file(
    loaded: Config, fault: ConfigError | StoreError
) -> None:
    direct, last = Direct(), LastGood(config=loaded)
    standby.tell(last, fault, direct, now_utc=MAIL_AT_UTC - timedelta(hours=2))
    (operator,) = written(loaded)
    assert "cannot run" in operator[1]
    assert str(fault).split()[0] in operator[1]
    assert json.loads((loaded.watch.health_file or Path()).read_text())["is_well"] is False
    for later in (0, 1, 60):
        standby.tell(last, fault, direct, now_utc=MAIL_AT_UTC + later * MINUTE)
    crews = [text for _, text in written(loaded) if "cannot run" not in text]
    assert len(crews) == 5


def test_a_database_that_words_its_fault_anew_each_time_is_one_mail(loaded: Config) -> None:
    direct, last = Direct(), LastGood(config=loaded)
    for n in range(3):
        fault = StoreError(f"connection {n} refused.")
        standby.tell(last, fault, direct, now_utc=MAIL_AT_UTC - timedelta(hours=2) + n * MINUTE)
    assert len(written(loaded)) == 1
    standby.tell(last, BROKEN, direct, now_utc=MAIL_AT_UTC - timedelta(hours=2))
    assert len(written(loaded)) == 2


def test_crews_that_had_their_morning_are_not_told_that_there_is_none(loaded: Config) -> None:
    last = LastGood(config=loaded, mornings={loaded.sites[0].id: demo.DAY})
    standby.tell(last, BROKEN, Direct(), now_utc=MAIL_AT_UTC + 30 * MINUTE)
    assert len(written(loaded)) == 1


def test_a_start_is_tried_until_it_works(loaded: Config, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(standby, "TRIED_AGAIN_S", 0.0)
    monkeypatch.setattr(standby, "clock_utc", lambda: MAIL_AT_UTC)
    tries: list[Config] = []

    def start(config: Config) -> None:
        tries.append(config)
        if len(tries) < 3:
            raise StoreError("database is locked.")

    monkeypatch.setattr(standby.configs, "load", lambda *_, **__: loaded)
    standby.run(loaded.folder, environ={}, halt=threading.Event(), start=start)
    assert len(tries) == 3


class HaltsAfter:
    """An event that is set when it was waited for so many times; before each wait it does something."""

    def __init__(self, *steps: Callable[[], object]) -> None:
        self._steps = list(steps)

    def wait(self, _timeout_s: float) -> bool:
        if not self._steps:
            return True
        self._steps.pop(0)()
        return False


@pytest.mark.parametrize("broken", ["missing", "no TOML", "no way to mail", "a site with a fault", "no site"])
def test_a_first_config_that_is_broken_is_waited_for_and_told_as_far_as_it_can_be_read(
    broken: str, loaded: Config, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(standby, "TRIED_AGAIN_S", 0.0)
    monkeypatch.setattr(standby, "clock_utc", lambda: MAIL_AT_UTC)
    good = loaded.folder
    with (good / "gonogo.toml").open("a", encoding="utf-8") as file:
        file.write('[watch]\nhealth_file = "health.json"\n')
    folder = Path(shutil.copytree(good, tmp_path / "first"))
    site = folder / "sites" / "harrow-flats.toml"
    if broken == "missing":
        shutil.rmtree(folder)
    elif broken == "no TOML":
        (folder / "gonogo.toml").write_text("{" * 300 + "\n" * 30_000)
    elif broken == "no way to mail":
        told = (folder / "gonogo.toml").read_text().replace('kind = "folder"', 'kind = "pigeon"')
        (folder / "gonogo.toml").write_text(told)
    elif broken == "no site":
        site.unlink()
    else:
        (folder / "sites" / "second.toml").write_text(site.read_text().replace("length_m = 120", "length_m = 1,2"))
    started: list[Config] = []
    halt = HaltsAfter(lambda: None, lambda: shutil.copytree(good, folder, dirs_exist_ok=True), lambda: None)
    if broken == "a site with a fault":
        halt = HaltsAfter(lambda: None, (folder / "sites" / "second.toml").unlink)
    standby.run(folder, environ={}, halt=halt, start=started.append)  # type: ignore[arg-type]
    assert len(started) == 1
    mails = [BytesParser(policy=policy.default).parsebytes(path.read_bytes()) for path in folder.rglob("*.eml")]
    to_operator = [mail for mail in mails if "operator@example.com" in str(mail["to"])]
    if broken in ("missing", "no TOML", "no way to mail"):
        assert mails == []
        assert (folder / "health.json").is_file() is (broken == "no way to mail")
        assert "nobody can be told by mail" in caplog.text
    else:
        assert len(to_operator) == 1
        assert (folder / "health.json").is_file()
        assert len(mails) == 1 + (5 if broken == "a site with a fault" else 0)
    assert caplog.text.count("it is tried again") == 1


@pytest.fixture
def service(loaded: Config) -> Callable[[], Service]:
    return lambda: Service(loaded, halt=threading.Event(), fetch=recorded, environ={})


def test_a_start_after_the_deadline_tells_crews_and_operator_while_the_shift_runs(
    service: Callable[[], Service],
) -> None:
    running, workers = service(), Workers(n_workers=1)
    site = running.sites()[0]
    running.run_morning(site, demo.DAY - timedelta(days=1), demo.MORNING_UTC - timedelta(days=1))
    late_utc = MAIL_AT_UTC + timedelta(hours=6)
    running.watch(late_utc, workers)
    assert workers.wait(60.0)
    running.watch(late_utc + MINUTE, workers)
    assert workers.wait(60.0)
    with schema.read(running.store) as connection:
        told = [mail for mail in outcomes.outcomes(connection) if mail.put_utc >= late_utc]
        raws = [outcomes.raw_of(connection, mail.message_id) or b"" for mail in told]
    assert sorted(mail.kind for mail in told) == ["morning"] * 5 + ["operator"]
    assert all(mail.deadline_utc > late_utc for mail in told)
    assert any(b"was not made in time" in raw for raw in raws)
    running.store.dispose()


def test_a_database_that_fails_while_running_reaches_the_operator_by_one_mail_for_all_sites(
    loaded: Config, monkeypatch: pytest.MonkeyPatch
) -> None:
    running = Service(many_sites(loaded, 20), halt=threading.Event(), fetch=recorded, environ={})
    running.store.dispose()
    n_asked = 0

    def gone(*_: object, **__: object) -> None:
        nonlocal n_asked
        n_asked += 1
        raise StoreError(f"disk full, {n_asked} bytes left.")

    monkeypatch.setattr("gonogo.store.schema.read", gone)
    for _ in range(2):
        running.watch(MAIL_AT_UTC - timedelta(minutes=5), Workers(n_workers=1))
    (mail,) = written(loaded)
    assert "disk full" in mail[1]


def test_a_folder_that_may_not_be_written_is_logged_once(
    service: Callable[[], Service], monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def refuses(*_: object, **__: object) -> None:
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr(last_good, "keep_config", refuses)
    monkeypatch.setattr("gonogo.service.alive.note", refuses)
    running = service()
    for minute in (0, 2, 4):
        running.watch(MAIL_AT_UTC - timedelta(hours=3) + minute * MINUTE, Workers(n_workers=1))
    assert caplog.text.count("last good config could not be written: Read-only file system") == 1
    assert caplog.text.count("mark beside the database could not be written: Read-only file system") == 1
    running.store.dispose()


def test_a_config_is_read_again_when_asked_to(service: Callable[[], Service]) -> None:
    running = service()
    before = running.configs.accepted
    running.configs.refresh()
    assert running.configs.accepted is before
    running.configs.reread.set()
    running.configs.refresh()
    assert running.configs.accepted is not before
    running.store.dispose()
