"""A whole morning: stored and mailed once, repeatable, and no fault anywhere ends in "compact"."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from example_mornings import example_config, example_frame, html_of, no_weather, opened, plain_of, recorded, run_example

from gonogo.cli import demo
from gonogo.config import Config
from gonogo.errors import StoreError
from gonogo.outgoing import message_id
from gonogo.records.verdict import Verdict
from gonogo.store import outcomes, queued, runs, schema


@pytest.fixture
def loaded(tmp_path: Path) -> Config:
    return example_config(tmp_path)


@pytest.fixture
def store(loaded: Config) -> Iterator[sa.Engine]:
    engine = opened(loaded)
    yield engine
    engine.dispose()


def stored(store: sa.Engine) -> tuple[runs.Run | None, tuple[queued.Queued, ...]]:
    with schema.read(store) as connection:
        return runs.last_run(connection, "harrow-flats"), outcomes.outcomes(connection)


def test_the_example_morning_has_a_strip_of_each_verdict_and_a_mail_for_each_person(
    loaded: Config, store: sa.Engine
) -> None:
    result = run_example(loaded, store)
    assert result is not None
    assert {d.verdict for d in result.conclusion.decisions} == set(Verdict)
    people = [r.address for crew in loaded.sites[0].crews for r in crew.recipients]
    run, messages = stored(store)
    assert sorted(m.address for m in messages) == sorted(set(people))  # the planner of both crews has one
    assert run is not None
    assert run.error == ""
    with schema.read(store) as connection:
        assert runs.decisions(connection, run.id) == result.conclusion.decisions


def test_the_water_balance_of_the_example_closes(loaded: Config, store: sa.Engine) -> None:
    result = run_example(loaded, store)
    assert result is not None
    assert result.conclusion.judgement is not None
    assert result.conclusion.judgement.closure_error_mm < 1e-9


def test_a_morning_runs_once(loaded: Config, store: sa.Engine) -> None:
    assert run_example(loaded, store) is not None
    assert run_example(loaded, store, owner="another service") is None
    assert len(stored(store)[1]) == 5


def test_the_same_morning_made_again_is_the_same_to_the_byte(tmp_path: Path) -> None:
    raw = []
    for name in ("a", "b"):
        loaded = example_config(tmp_path / name, store_url=f"sqlite:///{tmp_path / name}.db")
        store = opened(loaded)
        result = run_example(loaded, store)
        store.dispose()
        assert result is not None
        raw.append([re.sub(rb"=_?[=\d]{15,}==", b"boundary", m.raw) for m in result.mails])
    assert raw[0] == raw[1]


def test_without_weather_every_strip_waits_and_every_person_is_told(loaded: Config, store: sa.Engine) -> None:
    result = run_example(loaded, store, fetch=no_weather)
    assert result is not None
    assert {d.verdict for d in result.conclusion.decisions} == {Verdict.WAIT}
    assert len(result.mails) == 5
    for mail in result.mails:
        if mail.language == "en":
            assert re.search("[Nn]o verdict|No water is ordered", plain_of(mail))
        assert "COMPACT" not in mail.subject + plain_of(mail)


@pytest.mark.parametrize(("age_h", "may_compact"), [(5.0, True), (25.0, False), (-3.0, False)])
def test_a_forecast_too_old_or_from_the_future_compacts_nothing(
    loaded: Config, store: sa.Engine, age_h: float, may_compact: bool
) -> None:
    fetched = demo.MORNING_UTC - timedelta(hours=age_h)

    def fetch(site: Any, now_utc: datetime, kept: Any) -> Any:
        return recorded(site, now_utc, kept, fetched_utc=fetched)

    result = run_example(loaded, store, fetch=fetch)
    assert result is not None
    verdicts = {d.verdict for d in result.conclusion.decisions}
    assert (Verdict.COMPACT in verdicts) is may_compact
    if not may_compact:
        assert verdicts == {Verdict.WAIT}


def test_a_forecast_between_6_and_24_hours_old_is_labelled_in_the_mail(loaded: Config, store: sa.Engine) -> None:
    fetched = demo.MORNING_UTC - timedelta(hours=10)

    def fetch(site: Any, now_utc: datetime, kept: Any) -> Any:
        return recorded(site, now_utc, kept, fetched_utc=fetched)

    result = run_example(loaded, store, fetch=fetch)
    assert result is not None
    assert all("10 hours" in plain_of(mail) or "10 h" in plain_of(mail) for mail in result.mails)


@pytest.mark.parametrize("step", ["judging.judged", "answers.series.check"])
def test_a_computation_that_fails_tells_every_strip_to_wait(
    loaded: Config, store: sa.Engine, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    def broken(*_: Any, **__: Any) -> None:
        raise ZeroDivisionError("invented fault")

    monkeypatch.setattr(f"gonogo.morning.{step}", broken)
    result = run_example(loaded, store)
    assert result is not None
    assert {d.verdict for d in result.conclusion.decisions} == {Verdict.WAIT}
    run, messages = stored(store)
    assert sorted(m.kind for m in messages) == ["morning"] * 5 + ["operator"]
    assert run is not None
    assert "ZeroDivisionError: invented fault" in run.error


@pytest.mark.parametrize("step", ["mails.mail_view.build", "workers.message"])
def test_a_mail_that_cannot_be_written_is_replaced_by_a_plain_notice(
    loaded: Config, store: sa.Engine, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    def broken(*_: Any, **__: Any) -> None:
        raise KeyError("invented fault")

    monkeypatch.setattr(f"gonogo.outgoing.{step}", broken)
    result = run_example(loaded, store)
    assert result is not None
    assert len(result.mails) == 5
    for mail in result.mails:
        assert html_of(mail) == ""
        if mail.language == "en":
            assert mail.subject.startswith("No verdict")
            assert "every strip waits" in plain_of(mail)
    run, _ = stored(store)
    assert run is not None
    assert "invented fault" in run.error


def test_a_database_that_fails_while_storing_leaves_nothing_half_done_and_the_morning_free(
    loaded: Config, store: sa.Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: Any, **__: Any) -> None:
        raise StoreError("invented fault")

    with monkeypatch.context() as patched:
        patched.setattr("gonogo.morning.run.outbox.put", broken)
        with pytest.raises(StoreError, match="invented fault"):
            run_example(loaded, store)
    run, messages = stored(store)
    assert run is None
    assert messages == ()
    later = demo.MORNING_UTC + timedelta(seconds=1)
    assert run_example(loaded, store, now_utc=later) is not None
    assert len(stored(store)[1]) == 5


def test_what_the_service_answered_is_kept_with_the_run(loaded: Config, store: sa.Engine) -> None:
    run_example(loaded, store)
    run, _ = stored(store)
    assert run is not None
    assert run.answer_id is not None
    with schema.read(store) as connection:
        text = runs.config_text(connection, run.id)
    assert '"harrow-flats"' in text
    assert "America/Chicago" in text


def test_message_ids_tell_people_days_and_editions_apart_and_nothing_else(loaded: Config) -> None:
    crew = loaded.sites[0].crews[0]
    first, other = crew.recipients[:2]
    ids = {
        message_id.mail_id(example_frame(loaded, None, day=day, edition=edition), crew, person)
        for day in (demo.DAY, demo.DAY + timedelta(days=1))
        for edition in ("morning", "later")
        for person in (first, other)
    }
    assert len(ids) == 8
    again = message_id.mail_id(example_frame(loaded, None), crew, first)
    assert again in ids
