"""What `gonogo status` says of a morning without a verdict, of re-checks, and of mails that wait."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from example_mornings import example_config, no_weather, opened, recorded, run_example

from gonogo.cli import demo, status
from gonogo.cli.outcome import CommandOutcome, Exit
from gonogo.config import Config
from gonogo.download.forecasts import Downloaded
from gonogo.service import alive
from gonogo.store import endings, owner, schema
from gonogo.wording.language import speaker

EN = speaker("en", "metric")
LATER_UTC = demo.MORNING_UTC + timedelta(minutes=20)


@pytest.fixture
def loaded(tmp_path: Path) -> Config:
    return example_config(tmp_path)


@pytest.fixture
def store(loaded: Config) -> Iterator[sa.Engine]:
    engine = opened(loaded)
    yield engine
    engine.dispose()


def said(loaded: Config, now_utc: datetime = LATER_UTC) -> CommandOutcome:
    outcome = status.status(loaded, now_utc=now_utc, speak=EN)
    return replace(outcome, text=outcome.text.replace("\u00a0", " ").replace("\u202f", " "))


def test_a_morning_without_a_verdict_is_said_as_one_and_so_is_who_sends_what_waits(
    loaded: Config, store: sa.Engine
) -> None:
    run_example(loaded, store, fetch=no_weather)
    bad = said(loaded)
    assert bad.exit_code is Exit.ATTENTION
    assert re.search(r"last run +Tue 12 May, done [0-9:]+: NO VERDICT, every strip waits", bad.text)
    assert bad.text.endswith("Somebody must look.")
    run_example(loaded, store, edition="09:00", now_utc=LATER_UTC)
    nobody = said(loaded)
    assert nobody.exit_code is Exit.ATTENTION
    assert re.search(r"waiting +[0-9]+ mails, tried from [0-9:]+ on, the first of no use after 09:00", nobody.text)
    assert re.search(r"sent by +nobody: no service is at work", nobody.text)
    alive.note(loaded, owner.own_name(), now_utc=LATER_UTC)
    good = said(loaded)
    assert re.search(r"re-check +Tue 12 May \(09:00\), done [0-9:]+: compact [0-9]", good.text)
    assert "NO VERDICT" in good.text
    assert good.exit_code is Exit.OK
    assert re.search(r"sent by +`gonogo serve`, process [0-9]+ \(.+\), at work 2026-05-12 10:35 UTC", good.text)
    assert said(loaded, LATER_UTC + timedelta(minutes=6)).exit_code is Exit.ATTENTION


def test_the_next_re_check_stands_beside_the_next_run(loaded: Config) -> None:
    assert re.search(r"re-check at +09:00", said(loaded).text)


def test_the_mark_of_a_dead_process_or_of_another_hand_is_none(loaded: Config) -> None:
    assert alive.seen(loaded, now_utc=LATER_UTC) is None
    parts = owner.own_name().rsplit(":", 4)
    alive.note(loaded, ":".join([*parts[:3], "1", parts[4]]), now_utc=LATER_UTC)
    assert alive.seen(loaded, now_utc=LATER_UTC) is None
    for text in ("{", "[]", '{"at_utc": "2026-05-12T10:35:00", "owner": "x"}'):
        alive.place(loaded).write_text(text)
        assert alive.seen(loaded, now_utc=LATER_UTC) is None


def test_a_mail_that_killed_its_workers_is_named_with_that_reason_and_not_with_its_deadline(
    loaded: Config, store: sa.Engine
) -> None:
    run_example(loaded, store)
    with schema.begin(store) as connection:
        doomed = connection.scalar(sa.select(schema.message.c.id).limit(1))
        connection.execute(sa.update(schema.message).where(schema.message.c.id == doomed).values(n_crashes=5))
    assert len(endings.dead_letters(store, now_utc=LATER_UTC, tell=lambda _: ())) == 1
    dead = said(loaded)
    assert "died over it" in dead.text
    assert "deadline passed" not in dead.text
    assert dead.exit_code is Exit.ATTENTION


def test_a_service_that_was_passed_over_stands_beside_its_run(loaded: Config, store: sa.Engine) -> None:
    why = "open_meteo: precip_mm = 0 mm: the answer contradicts itself. The answer is not used."

    def second_service(*given: Any) -> Downloaded:
        return replace(recorded(*given), faults=(why,))

    run_example(loaded, store, fetch=second_service)
    assert why in said(loaded).text
