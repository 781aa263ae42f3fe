"""What `gonogo check` makes of stored weather, rain and answers; it leaves the database as it is."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from config_copy import EXAMPLE, SITE, Copy

from gonogo.cli import checking
from gonogo.records.field import GaugeRain, Reading
from gonogo.records.outside import Answer
from gonogo.store import answers, history, replies, schema
from gonogo.store.open import open_store

NOW_UTC = datetime(2026, 5, 12, 10, 0, tzinfo=UTC)
SITE_ID = "harrow-flats"
WEATHER = Path(__file__).parents[2] / "fixtures" / "weather" / "open_meteo" / "harrow_flats.json"


@pytest.fixture
def example(tmp_path: Path) -> Copy:
    folder = tmp_path / "config"
    shutil.copytree(EXAMPLE, folder, ignore=shutil.ignore_patterns("*.sqlite3*", "mails"))
    return Copy(folder)


def gauge(amounts: list[float], hours: float = 1.0) -> list[GaugeRain]:
    starts = [NOW_UTC - timedelta(hours=hours * (len(amounts) - n)) for n in range(len(amounts))]
    return [
        GaugeRain(from_utc=at, until_utc=at + timedelta(hours=hours), rain_mm=rain_mm)
        for at, rain_mm in zip(starts, amounts, strict=True)
    ]


@pytest.mark.parametrize(
    ("amounts", "adds_up"),
    [
        ([1.0, 1.0, 3.2, 3.2, 3.2, 8.0, 8.0], True),
        ([0.0, 0.0, 0.4, 0.4, 5.0, 5.0, 5.0, 9.0, 0.0, 2.0], True),
        ([0.0, 0.2, 0.4, 1.2, 3.0, 6.0, 2.0, 0.0], False),
        ([0.2, 0.2, 0.2, 0.4, 0.4, 0.6, 0.6], False),
        ([0.0] * 40, False),
        ([], False),
    ],
)
def test_a_gauge_that_adds_up_is_told_from_rain(amounts: list[float], adds_up: bool) -> None:
    found = checking.adding_up(gauge(amounts))
    assert (found is not None) is adds_up


def test_nothing_is_created_where_there_is_no_database(example: Copy) -> None:
    text = checking.check(example.load(), now_utc=NOW_UTC)
    assert "Warnings: none" in text
    assert not list(example.folder.glob("*.sqlite3*"))


def test_what_is_stored_sets_warnings_off(example: Copy) -> None:
    config = example.load()
    store = open_store(config)
    arrival = history.Arrival(entered_utc=NOW_UTC, entered_by="a test")
    answer = Answer(
        service="open_meteo", url="https://x", fetched_utc=NOW_UTC, status=200, headers={}, body=WEATHER.read_bytes()
    )
    with schema.begin(store) as connection:
        answers.save_answer(connection, SITE_ID, answer)
    store.dispose()
    assert "Warnings: none" in checking.check(config, now_utc=NOW_UTC)
    store = open_store(config)
    with schema.begin(store) as connection:
        for rain in gauge([1.0, 1.0, 3.2, 3.2, 3.2, 8.0, 8.0]):
            history.add_entry(connection, SITE_ID, rain, arrival)
        replies.note_address(connection, "north.driver@example.com", "stop", at_utc=NOW_UTC, source_key="a")
    store.dispose()
    example.edit(SITE, "elevation_m = 325", "elevation_m = 1066")  # feet
    text = " ".join(checking.check(example.load(), now_utc=NOW_UTC).split())
    assert "Warnings: 3" in text
    assert "W60" in text
    assert "1 ft is 0.3048 m" in text
    assert "W61" in text
    assert "never fell from" in text
    assert "W62" in text
    assert "crew.north.person.1.address" in text


def test_a_newer_recorded_test_stills_the_warning_of_an_old_one(example: Copy) -> None:
    example.edit(SITE, "at = 2026-05-11 16:30:00", "at = 2025-07-11 16:30:00")
    config = example.load()
    assert "W51" in checking.check(config, now_utc=NOW_UTC)
    store = open_store(config)
    reading = Reading(strip_id="N1", at_utc=NOW_UTC - timedelta(hours=1), w_pct=18.0, method="oven")
    with schema.begin(store) as connection:
        history.add_entry(connection, SITE_ID, reading, history.Arrival(entered_utc=NOW_UTC, entered_by="a test"))
    store.dispose()
    assert "W51" not in checking.check(config, now_utc=NOW_UTC)


def test_a_database_that_cannot_be_read_is_said_and_the_rest_is_checked(example: Copy) -> None:
    (example.folder / "gonogo.sqlite3").write_bytes(b"no database, by any measure" * 100)
    (example.folder / "gonogo.sqlite3").chmod(0o600)
    text = checking.check(example.load(), now_utc=NOW_UTC)
    assert "Warnings: none" in text
    assert "The database was not looked at" in text
