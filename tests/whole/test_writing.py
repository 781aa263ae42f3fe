"""Mails written by several processes are those that one writes; where the processes fail, one goes on alone."""

from __future__ import annotations

from pathlib import Path

import pytest
from example_mornings import concluded_example, example_config, example_frame

from gonogo.config import Config
from gonogo.decide import conclusion as decide_conclusion
from gonogo.outgoing import mails, workers


@pytest.fixture(scope="module")
def concluded(tmp_path_factory: pytest.TempPathFactory) -> tuple[Config, decide_conclusion.Conclusion]:
    loaded = example_config(Path(tmp_path_factory.mktemp("writing")))
    conclusion = concluded_example(loaded)
    return loaded, conclusion


def raws(concluded: tuple[Config, decide_conclusion.Conclusion]) -> list[bytes]:
    loaded, conclusion = concluded
    prepared, faults = mails.mails(example_frame(loaded, None), conclusion, before={})
    assert faults == ()
    return [mail.raw for mail in prepared]


def test_several_processes_write_the_same_bytes_as_one(
    concluded: tuple[Config, decide_conclusion.Conclusion],
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    alone = raws(concluded)
    monkeypatch.setattr(workers, "SHARED_FROM", 1)
    monkeypatch.setattr(workers.os, "cpu_count", lambda: 2)
    monkeypatch.setattr(workers, "QUEUED", 1)
    assert raws(concluded) == alone
    assert "failed" not in caplog.text


def test_processes_that_do_not_answer_in_time_cost_nobody_a_mail(
    concluded: tuple[Config, decide_conclusion.Conclusion],
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    alone = raws(concluded)
    monkeypatch.setattr(workers, "SHARED_FROM", 1)
    monkeypatch.setattr(workers.os, "cpu_count", lambda: 2)
    monkeypatch.setattr(workers, "LIMIT_S", 0.001)
    assert raws(concluded) == alone
    assert "this one goes on alone" in caplog.text
