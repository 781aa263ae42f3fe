"""What `gonogo check --mail` and `--weather` try outside, and what they say of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest
import time_machine
from example_mornings import example_config, recorded
from mailserver import MailServer

from gonogo.cli import app, check_app, demo, outside_report
from gonogo.cli.outcome import Exit
from gonogo.config import Config
from gonogo.download.forecasts import Downloaded, NoForecastError
from gonogo.errors import ConfigError
from gonogo.records.outside import ServiceSettings, Transport
from gonogo.records.site import Site

NOW_UTC = demo.MORNING_UTC


@pytest.fixture
def loaded(tmp_path: Path) -> Config:
    return example_config(tmp_path)


def by_smtp(loaded: Config, server: MailServer) -> Config:
    sender = loaded.transport.sender
    transport = Transport(kind="smtp", sender=sender, host=server.host, port=server.port, security="none", timeout_s=5)
    return replace(loaded, transport=transport)


def test_the_servers_answer_to_the_test_mail_is_shown(loaded: Config, mail_server: MailServer) -> None:
    server = mail_server
    outcome = outside_report.send_test_mail(by_smtp(loaded, server), "a@example.com", now_utc=NOW_UTC)
    assert outcome.exit_code is Exit.OK
    assert "answered: 250 2.0.0 queued" in outcome.text
    (raw,) = server.mails
    assert b"It says nothing of any strip" in raw
    assert server.envelopes[0][1] == ["a@example.com"]


def test_a_server_that_refuses_is_quoted_and_somebody_must_look(loaded: Config, mail_server: MailServer) -> None:
    server = mail_server
    server.at_rcpt.append("550 5.1.1 no such user here")
    outcome = outside_report.send_test_mail(by_smtp(loaded, server), "a@example.com", now_utc=NOW_UTC)
    assert outcome.exit_code is Exit.ATTENTION
    assert "did not go" in outcome.text
    assert "550 5.1.1 no such user here" in " ".join(outcome.text.split())


def test_a_folder_takes_the_test_mail_and_says_that_nothing_was_sent(loaded: Config, tmp_path: Path) -> None:
    transport = Transport(kind="folder", sender=loaded.transport.sender, folder=tmp_path / "mails")
    outcome = outside_report.send_test_mail(replace(loaded, transport=transport), "a@example.com", now_utc=NOW_UTC)
    assert outcome.exit_code is Exit.OK
    assert "nothing was sent" in outcome.text
    assert len(list((tmp_path / "mails").rglob("*.eml"))) == 1


def test_an_address_that_is_none_is_refused_before_anything_is_tried(loaded: Config) -> None:
    with pytest.raises(ConfigError, match="--mail = nobody: is no mail address"):
        outside_report.send_test_mail(loaded, "nobody", now_utc=NOW_UTC)


def test_each_service_is_asked_once_and_shown_with_age_licence_and_next_rain(loaded: Config) -> None:
    asked = []

    def ask(site: Site, settings: ServiceSettings, now_utc: datetime) -> Downloaded:
        asked.append(settings.name)
        if settings.name == "met_norway":
            raise NoForecastError("x: none.\nmet_norway: silent for 20 s.\nmet_norway: silent for 20 s.", passing=True)
        return recorded(site, now_utc, ())

    two = (*loaded.services, ServiceSettings(name="met_norway", contact="a@example.com"))
    outcome = outside_report.weather(replace(loaded, services=two, use="commercial"), now_utc=NOW_UTC, ask=ask)
    text = " ".join(outcome.text.split())
    assert asked == ["open_meteo", "met_norway"]
    assert outcome.exit_code is Exit.ATTENTION
    assert "Hours from 15.4 days back to 11.5 days ahead" in text
    assert "Next rain: Tue 2026-05-12 17:00 site time, 8.0 mm in 5 hours, chance up to 90 %." in text
    assert "Licence: NOT for this use." in text
    assert text.count("silent for 20 s") == 1


def test_all_is_said_by_the_command_itself(
    loaded: Config, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(outside_report.weather, "__kwdefaults__", {"ask": lambda site, _, at: recorded(site, at, ())})
    monkeypatch.setattr(check_app, "load_config", lambda _: loaded)
    with time_machine.travel(NOW_UTC, tick=False):
        assert app.run(["check", "--all"]) == Exit.OK
    shown = capsys.readouterr().out
    assert "Warnings:" in shown
    assert "Next rain:" in shown
    assert f"test mail to {loaded.operator_address}" in shown
