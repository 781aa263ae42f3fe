"""`gonogo inbox` and what `gonogo status` and `gonogo forget` say and do about answers."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from inbox_scene import NOW, Desk_, answer, config

from gonogo.cli import forget, inbox_report, status
from gonogo.cli.outcome import Exit
from gonogo.config import Config
from gonogo.errors import ConfigError
from gonogo.inbox.read import note_reading
from gonogo.records.field import LiftResult, Reading, SurfaceWork
from gonogo.records.outside import Inbox, Transport
from gonogo.store import replies, schema
from gonogo.store.open import open_store
from gonogo.wording.language import speaker

EN = speaker("en", "metric")


@pytest.fixture
def loaded(tmp_path: Path) -> Config:
    folder = Transport(kind="folder", sender="gonogo@example.com", folder=tmp_path / "mails")
    made = config(f"sqlite:///{tmp_path / 'gonogo.db'}", folder=tmp_path, transport=folder)
    assert made.inbox is not None
    for part in ("new", "cur", "tmp"):
        (tmp_path / "box" / part).mkdir(parents=True)
    site_settings = {"test-site": {"run_lead_min": 20.0}}
    return replace(made, inbox=replace(made.inbox, maildir=tmp_path / "box", checks_dkim=False), settings=site_settings)


def test_answers_are_taken_from_files_and_a_second_time_add_nothing(loaded: Config, tmp_path: Path) -> None:
    files = []
    for n, raw in enumerate((answer(["N3 11.2"]), answer(["N3 11.2"], From="x@elsewhere.example"))):
        files.append(tmp_path / f"{n}.eml")
        files[-1].write_bytes(raw)
    for _ in range(2):
        outcome = inbox_report.run(loaded, files, clock_utc=lambda: NOW)
        assert outcome.exit_code == Exit.OK
        assert "0.eml: taken" in outcome.text
        assert "1.eml: left alone" in outcome.text
    store = open_store(loaded)
    assert len(Desk_(store).entries()) == 1
    store.dispose()


def test_without_files_the_mailbox_is_read(loaded: Config, tmp_path: Path) -> None:
    (tmp_path / "box" / "new" / "1.host").write_bytes(answer(["N3 11.2"]))
    assert inbox_report.run(loaded, (), clock_utc=lambda: NOW).text == "1 mails were taken."
    assert loaded.inbox is not None
    broken = replace(loaded, inbox=replace(loaded.inbox, maildir=tmp_path / "nowhere"))
    outcome = inbox_report.run(broken, (), clock_utc=lambda: NOW)
    assert outcome.exit_code == Exit.ATTENTION
    assert "no maildir" in outcome.text


def test_a_config_without_inbox_and_a_file_that_is_not_there_are_refused(loaded: Config, tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="inbox"):
        inbox_report.run(replace(loaded, inbox=None), (), clock_utc=lambda: NOW)
    with pytest.raises(ConfigError, match="cannot be read"):
        inbox_report.run(loaded, (tmp_path / "nowhere.eml",), clock_utc=lambda: NOW)


def test_status_says_when_the_mailbox_was_last_read(loaded: Config) -> None:
    assert "never read yet" in status.status(loaded, now_utc=NOW, speak=EN).text
    store = open_store(loaded)
    note_reading(store, NOW, "")
    note_reading(store, NOW + timedelta(minutes=5), "mail.example.com:993: the mailbox cannot be read.")
    store.dispose()
    soon = status.status(loaded, now_utc=NOW + timedelta(minutes=6), speak=EN)
    assert "last read 2026-05-12 15:00 UTC" in soon.text
    assert "mail.example.com:993" in soon.text
    assert soon.exit_code == Exit.OK
    assert status.status(loaded, now_utc=NOW + timedelta(minutes=30), speak=EN).exit_code == Exit.ATTENTION
    assert "last read" not in status.status(replace(loaded, inbox=None), now_utc=NOW, speak=EN).text


def test_status_names_an_address_whose_mail_came_back(loaded: Config) -> None:
    store = open_store(loaded)
    note_reading(store, NOW, "")
    with schema.begin(store) as connection:
        replies.note_address(connection, "ana@example.com", "bounce", at_utc=NOW, source_key="1")
    store.dispose()
    said = status.status(loaded, now_utc=NOW + timedelta(minutes=1), speak=EN)
    assert "ana@example.com" in said.text
    assert said.exit_code == Exit.ATTENTION


def test_who_is_forgotten_is_in_no_answer_any_more(loaded: Config) -> None:
    store = open_store(loaded)
    desk = Desk_(store, config=loaded)
    desk.take(answer(["N3 11.2"]))
    desk.take(answer(["stop"]))
    store.dispose()
    forget.forget(loaded, "ana@example.com", now_utc=NOW)
    store = open_store(loaded)
    with schema.read(store) as connection:
        for table in (schema.reply, schema.address_event):
            assert "ana@example.com" not in str(connection.execute(table.select()).all())
    assert len(Desk_(store).entries()) == 1
    store.dispose()


def test_thickness_acceptance_depth_and_basis_come_by_mail(loaded: Config) -> None:
    store = open_store(loaded)
    desk = Desk_(store, config=loaded)
    desk.take(answer(["N1 spread 10 in", "N2 accepted", "N3 14 carbide wet basis top 4 in"]))
    found = {type(entry): entry for entry in desk.entries()}
    (_, _, text) = desk.mails()[-1]
    store.dispose()
    text = text.replace("\u00a0", " ")
    assert "N1: spread 10.0 in" in text
    assert "N2: accepted" in text
    assert "carbide, top 4.0 in" in text
    work, result, reading = found[SurfaceWork], found[LiftResult], found[Reading]
    assert isinstance(work, SurfaceWork)
    assert work.spread is not None
    assert work.spread.thickness_m == pytest.approx(0.254)
    assert isinstance(result, LiftResult)
    assert result.result == "accepted"
    assert isinstance(reading, Reading)
    assert (reading.depth_mm, reading.w_pct) == (pytest.approx(101.6), pytest.approx(100 * 14 / 86))


def test_an_inbox_shows_neither_key_nor_password() -> None:
    inbox = Inbox(kind="imap", address="a@example.com", key="k" * 20, password="opensesame")
    assert "opensesame" not in repr(inbox)
    assert "kkkk" not in repr(inbox)
