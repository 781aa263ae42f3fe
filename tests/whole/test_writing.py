"""Mails written by several processes are those that one writes; where the processes fail, one goes on alone."""

from __future__ import annotations

from pathlib import Path

import pytest
from mornings import example_config, recorded

from gonogo import demo, mailing, morning, writing
from gonogo.config import Config


@pytest.fixture(scope="module")
def concluded(tmp_path_factory: pytest.TempPathFactory) -> tuple[Config, mailing.Conclusion]:
    loaded = example_config(Path(tmp_path_factory.mktemp("writing")))
    site = loaded.sites[0]
    conclusion = morning.conclude(
        loaded,
        site,
        day=demo.DAY,
        issue="morning",
        now_utc=demo.MORNING_UTC,
        entries=loaded.readings[site.id],
        fetch=recorded,
        stored=(),
    )
    return loaded, conclusion


def raws(concluded: tuple[Config, mailing.Conclusion]) -> list[bytes]:
    loaded, conclusion = concluded
    prepared, faults = mailing.mails(
        loaded, loaded.sites[0], conclusion, day=demo.DAY, issue="morning", now_utc=demo.MORNING_UTC, before={}
    )
    assert faults == ()
    return [one.mail.raw for one in prepared]


def test_several_processes_write_the_same_bytes_as_one(
    concluded: tuple[Config, mailing.Conclusion], monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    alone = raws(concluded)
    monkeypatch.setattr(writing, "SHARED_FROM", 1)
    monkeypatch.setattr(writing.os, "cpu_count", lambda: 2)
    monkeypatch.setattr(writing, "QUEUED", 1)
    assert raws(concluded) == alone
    assert "failed" not in caplog.text


def test_processes_that_do_not_answer_in_time_cost_nobody_a_mail(
    concluded: tuple[Config, mailing.Conclusion], monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    alone = raws(concluded)
    monkeypatch.setattr(writing, "SHARED_FROM", 1)
    monkeypatch.setattr(writing.os, "cpu_count", lambda: 2)
    monkeypatch.setattr(writing, "LIMIT_S", 0.001)
    assert raws(concluded) == alone
    assert "this one goes on alone" in caplog.text
