"""From a morning's readings to the next morning's start, through the database and the command that shows it."""

from __future__ import annotations

import shutil
from datetime import datetime, timedelta
from pathlib import Path

import pytest
import time_machine
from example_mornings import ROOT, example_config, opened, run_example

from gonogo.cli import app, demo, learned_report
from gonogo.records.field import Reading
from gonogo.store import history, learned, schema
from gonogo.store.history import Arrival
from gonogo.wording.language import speaker

EN = speaker("en", "metric")
NEXT = demo.MORNING_UTC + timedelta(days=1)


def record(store: object, *readings: Reading) -> None:
    with schema.begin(store) as connection:  # type: ignore[arg-type]
        for reading in readings:
            history.add_entry(
                connection, "harrow-flats", reading, Arrival(entered_utc=reading.at_utc, entered_by="test")
            )


def test_a_morning_keeps_what_its_readings_taught_and_shows_it(tmp_path: Path) -> None:
    loaded = example_config(tmp_path)
    site = loaded.sites[0]
    store = opened(loaded)
    assert "nothing learned yet" in learned_report.report(loaded, site, now_utc=NEXT, speak=EN)
    record(
        store,
        *(
            Reading(strip_id="S1", at_utc=demo.MORNING_UTC - timedelta(hours=h), w_pct=w, method="oven")
            for h, w in ((100, 12.4), (60, 12.2), (30, 12.0))
        ),
    )
    done = run_example(loaded, store)
    assert done is not None
    with schema.read(store) as connection:
        kept = learned.rows(connection, site.id, until_utc=NEXT)
    assert done.conclusion.judgement is not None
    assert kept == done.conclusion.judgement.learned
    assert "S1" in {decision.strip_id for decision in kept}
    shown = learned_report.report(loaded, site, now_utc=NEXT, speak=EN)
    assert "S1: 3 readings taught" in shown
    assert "field capacity" in shown
    said = learned_report.forget(loaded, site, "S1", now_utc=NEXT, speak=EN)
    assert "forgotten" in said
    after = learned_report.report(loaded, site, now_utc=NEXT + timedelta(hours=1), speak=EN)
    assert "S1: nothing learned yet" in after
    with schema.read(store) as connection:
        assert len(learned.rows(connection, site.id, until_utc=NEXT)) == len(kept) + 1
    store.dispose()


def test_the_command_shows_and_forgets_and_refuses_an_unknown_strip(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = str(shutil.copytree(ROOT / "config", tmp_path / "config"))
    with time_machine.travel(datetime.fromisoformat("2026-05-12T12:00:00+00:00"), tick=False):
        assert app.run(["learned", "--config", folder]) == app.Exit.OK
        assert "N1: nothing learned yet" in capsys.readouterr().out
        assert app.run(["learned", "--reset", "N1", "--config", folder]) == app.Exit.OK
        assert "N1: what was learned" in capsys.readouterr().out
        assert app.run(["learned", "harrow-flats", "--reset", "X9", "--config", folder]) == app.Exit.CONFIG
    assert "--reset = X9" in capsys.readouterr().err
