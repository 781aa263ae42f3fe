"""A site's own readings forecast again: which pairs count, and what was known when."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa
from example_mornings import BODY, ROOT, example_config, opened

from gonogo.backtest import site as own
from gonogo.backtest.report import text
from gonogo.backtest.site import pairs
from gonogo.cli import app, demo
from gonogo.config import Config
from gonogo.records.field import Entry, Reading, SurfaceWork, Watering
from gonogo.records.outside import Answer
from gonogo.records.site import Site
from gonogo.store import answers as stored_answers
from gonogo.store import history, schema

NOW = demo.MORNING_UTC
DAY = timedelta(days=1)


def reading(days: float, w_pct: float = 12.0, strip_id: str = "S1") -> Reading:
    return Reading(strip_id=strip_id, at_utc=NOW + days * DAY, w_pct=w_pct, method="oven")


@pytest.fixture
def loaded(tmp_path: Path) -> Config:
    config = example_config(tmp_path)
    return replace(config, readings={site.id: () for site in config.sites})


def site_backtest(config: Config, site: Site, *, now_utc: datetime) -> str:
    return text(own.site_backtest(config, site, now_utc=now_utc))


def filled(loaded: Config, *entries: Entry, has_weather: bool = True) -> None:
    store: sa.Engine = opened(loaded)
    with schema.begin(store) as connection:
        if has_weather:
            answer = Answer(
                service=demo.SERVICE, url="https://weather.example.com", fetched_utc=demo.FORECAST_AT_UTC, status=200,
                headers={}, body=BODY,
            )  # fmt: skip
            stored_answers.save_answer(connection, "harrow-flats", answer)
        for entry in entries:
            at = entry.at_utc if not hasattr(entry, "until_utc") else NOW
            history.add_entry(connection, "harrow-flats", entry, history.Arrival(entered_utc=at, entered_by="test"))
    store.dispose()


def test_readings_are_foreseen_from_earlier_ones_with_the_weather_of_their_day(loaded: Config) -> None:
    filled(loaded, reading(0.0), reading(1.0, 11.6), reading(3.0, 10.9))
    said = site_backtest(loaded, loaded.sites[0], now_utc=NOW + 5 * DAY)
    assert "3 readings up to 10 days after another" in said
    # The forecast of the first day is a day old on the second: nothing newer was stored, so that pair has no weather.
    assert "1 of them have no weather forecast stored" in said
    rows = [line.split() for line in said.splitlines() if line.startswith("all ")]
    assert [(row[1], row[2]) for row in rows] == [("1", "1"), ("3", "1")]
    assert float(rows[0][4]) == pytest.approx(0.4)
    assert float(rows[1][4]) == pytest.approx(1.1)


def test_a_test_is_foreseen_as_the_instrument_and_the_depth_that_it_was_taken_with(loaded: Config) -> None:
    """Pairs of oven and gauge tell that the gauge reads high; what it reads later is held against the oven's scale."""
    pair = [reading(-2.0), replace(reading(-2.0, 13.5), method="nuclear gauge")]
    filled(loaded, *pair, reading(0.0), replace(reading(1.0, 13.0), method="nuclear gauge"))
    site = loaded.sites[0]
    rows = own.site_backtest(loaded, site, now_utc=NOW + 2 * DAY).rows
    row = rows[rows["lead_days"] == 1].iloc[-1]
    assert row["reading"] == pytest.approx(12.0)
    assert 11.5 <= row["measured"] < 12.6
    assert row["climate"] == site.material(site.strip("S1").material_id).name
    assert row["month"] == NOW.month
    assert 0.0 <= row["chance"] <= 1.0
    assert row["low"] < row["high"]


def test_what_comes_later_changes_nothing(loaded: Config) -> None:
    filled(loaded, reading(0.0), reading(1.0, 11.6))
    before = site_backtest(loaded, loaded.sites[0], now_utc=NOW + 2 * DAY)
    filled(loaded, reading(3.0, 3.0), has_weather=False)
    after = site_backtest(loaded, loaded.sites[0], now_utc=NOW + 5 * DAY)
    first = [line for line in before.splitlines() if line.startswith("all ") and line.split()[1] == "1"]
    assert first == [line for line in after.splitlines() if line.startswith("all ") and line.split()[1] == "1"]
    assert len(first) == 1


def test_water_or_work_between_two_readings_and_long_gaps_are_no_pair(loaded: Config) -> None:
    site = loaded.sites[0]
    two = [reading(0.0), reading(2.0)]
    assert len(pairs(site, two)) == 1
    assert pairs(site, two)[0].lead_days == 2
    assert pairs(site, [*two, Watering(strip_id="S1", at_utc=NOW + DAY, litres=5000.0)]) == ()
    assert pairs(site, [*two, SurfaceWork(strip_id="S1", at_utc=NOW + DAY, work="disked")]) == ()
    assert len(pairs(site, [*two, Watering(strip_id="S2", at_utc=NOW + DAY, litres=5000.0)])) == 1
    assert pairs(site, [reading(0.0), reading(11.0)]) == ()
    assert pairs(site, [reading(0.0), reading(0.2)]) == ()
    assert pairs(site, [reading(0.0), reading(2.0, strip_id="S2")]) == ()


def test_a_site_without_weather_or_readings_has_nothing_to_score(loaded: Config) -> None:
    assert "Nothing to score yet" in site_backtest(loaded, loaded.sites[0], now_utc=NOW)
    filled(loaded, reading(0.0), reading(1.0), has_weather=False)
    said = site_backtest(loaded, loaded.sites[0], now_utc=NOW + 5 * DAY)
    assert "1 of them have no weather" in said
    assert "Nothing to score yet" in said


def test_the_command_takes_a_folder_or_a_site(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = str(shutil.copytree(ROOT / "config", tmp_path / "config"))
    assert app.run(["backtest", "--site", "harrow-flats", "--config", config]) == app.Exit.OK
    assert "Nothing to score yet" in capsys.readouterr().out
    assert app.run(["backtest", "--config", config]) == app.Exit.CONFIG
    assert "--site" in capsys.readouterr().err
    assert app.run(["backtest", str(tmp_path), "--site", "harrow-flats", "--config", config]) == app.Exit.CONFIG
