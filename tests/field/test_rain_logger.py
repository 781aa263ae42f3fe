"""The file of a rain logger: full hours, gaps that are not dry, and the same file coming again."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import time_machine
from bodies import HARROW_FLATS
from example_mornings import ROOT, example_config

from gonogo.cli import app
from gonogo.errors import ConfigError
from gonogo.field import rain_logger, record
from gonogo.field.rain_logger import GaugeFile, parse
from gonogo.records.field import GaugeRain

NOW_UTC = datetime(2026, 5, 12, 10, 15, tzinfo=UTC)


def read(*lines: str) -> GaugeFile:
    return parse("\n".join(lines) + "\n", "logger.csv", HARROW_FLATS, NOW_UTC)


def minutes(first: str, step_min: int, *amounts: float | str) -> list[str]:
    start = datetime.fromisoformat(first)
    return [f"{start + timedelta(minutes=step_min * n):%Y-%m-%d %H:%M},{mm}" for n, mm in enumerate(amounts)]


def hour(at: datetime, rain_mm: float) -> GaugeRain:
    return GaugeRain(from_utc=at, until_utc=at + timedelta(hours=1), rain_mm=pytest.approx(rain_mm))  # type: ignore[arg-type]


def test_hours_stand_as_they_are_in_the_sites_time() -> None:
    file = read("timestamp,rain_mm", *minutes("2026-05-11 00:00", 60, 0.0, 1.5, 0.0, 2.0))
    # 01:00 in Chicago in May is 06:00 UTC: the 1.5 mm fell from 05:00 to 06:00.
    first = datetime(2026, 5, 11, 5, tzinfo=UTC)
    assert file.readings == (
        hour(first, 1.5),
        hour(first + timedelta(hours=1), 0.0),
        hour(first + timedelta(hours=2), 2.0),
    )
    assert file.notes == ()


def test_ten_minutes_become_full_hours_and_the_rest_waits() -> None:
    file = read(*minutes("2026-05-11 00:00", 10, *[0.2] * 16))
    assert file.readings == (
        hour(datetime(2026, 5, 11, 5, tzinfo=UTC), 1.2),
        hour(datetime(2026, 5, 11, 6, tzinfo=UTC), 1.2),
    )
    assert any("1 hours are not whole" in note for note in file.notes)


def test_steps_across_the_full_hour_are_shared_out() -> None:
    file = read(*minutes("2026-05-11 00:50", 20, *[0.4] * 8))
    # 01:00 to 02:00 local: half of the first step, two whole ones, half of the next.
    assert file.readings[0] == hour(datetime(2026, 5, 11, 6, tzinfo=UTC), 1.2)


@pytest.mark.parametrize("hole", ["", "NaN", "---"])
def test_a_value_that_is_missing_is_not_dry(hole: str) -> None:
    file = read(*minutes("2026-05-11 00:00", 60, 0.0, 1.0, hole, 2.0))
    assert [reading.from_utc.hour for reading in file.readings] == [5, 7]
    assert any("not known, not dry" in note for note in file.notes)


def test_a_logger_that_stood_still_vouches_for_nothing_of_that_time() -> None:
    lines = minutes("2026-05-09 00:00", 60, 0.0, 0.5, 0.5, 0.5) + minutes("2026-05-11 00:00", 60, 0.0, 0.5, 0.5)
    file = read(*lines)
    assert sum((reading.until_utc - reading.from_utc for reading in file.readings), timedelta()) == timedelta(hours=5)


def test_daily_lines_are_readings_of_a_day() -> None:
    file = read("date_time;mm", "2026-05-08 06:00;0,0", "2026-05-09 06:00;12,4", "2026-05-10 06:00;0,2")
    assert [(reading.until_utc - reading.from_utc, reading.rain_mm) for reading in file.readings] == [
        (timedelta(days=1), 12.4),
        (timedelta(days=1), 0.2),
    ]


def test_both_days_on_which_the_clock_is_set_have_their_hours() -> None:
    now_utc = datetime(2026, 11, 2, tzinfo=UTC)
    site = HARROW_FLATS
    stamps = ["2026-11-01 00:00", "2026-11-01 01:00", "2026-11-01 01:00", "2026-11-01 02:00", "2026-11-01 03:00"]
    lines = [f"{stamp},{n}" for n, stamp in enumerate(stamps)]
    autumn = parse("\n".join(lines), "x", site, now_utc)
    assert [reading.rain_mm for reading in autumn.readings] == [1, 2, 3, 4]
    assert autumn.readings[-1].until_utc - autumn.readings[0].from_utc == timedelta(hours=4)
    spring = parse(
        "\n".join(f"2026-03-08 0{h}:00,{h}" for h in (0, 1, 3, 4)), "x", site, datetime(2026, 3, 9, tzinfo=UTC)
    )
    assert [reading.rain_mm for reading in spring.readings] == [1, 3, 4]
    assert spring.readings[-1].until_utc - spring.readings[0].from_utc == timedelta(hours=3)


def test_lines_out_of_order_are_sorted_and_told() -> None:
    lines = minutes("2026-05-11 00:00", 60, 0.0, 1.0, 2.0)
    file = read(*reversed(lines))
    assert [reading.rain_mm for reading in file.readings] == [1.0, 2.0]
    assert any("sorted" in note for note in file.notes)


def test_lines_of_long_ago_are_left_out() -> None:
    file = read(*minutes("2026-01-01 00:00", 60, 0.0, 1.0, 2.0))
    assert file.readings == ()
    assert any("older than 60 days" in note for note in file.notes)


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        (["2026-05-11 00:00,1", "yesterday,2", "2026-05-11 02:00,1"], "logger.csv:2: timestamp = yesterday"),
        (["2026-05-11 00:00,1", "2026-05-11 01:00,lots", "2026-05-11 02:00,1"], "logger.csv:2: rain_mm = lots"),
        (["2026-05-11 00:00,1", "2026-05-11 01:00,-1", "2026-05-11 02:00,1"], "rain_mm = -1"),
        (["2026-05-11 00:00,1", "2026-05-11 01:00,inf", "2026-05-11 02:00,1"], "not a number"),
        (
            ["2026-05-11 00:00,1", "2026-05-13 01:00,1", "2026-05-11 02:00,1"],
            "logger.csv:2: timestamp = 2026-05-13 01:00: lies in the future: at the site it is 2026-05-1",
        ),
        (["2026-05-11 00:00,1", "2026-05-11 00:00,2", "2026-05-11 02:00,1"], "another amount for the same time"),
        (["when,how much", "2026-05-11 00:00,1"], "columns not known"),
        (["2026-05-11 00:00,1", "2026-05-11 01:00,1"], "fewer than three lines"),
        ([""], "fewer than three lines"),
        (["2026-04-01 00:00,1", "2026-04-20 00:00,1", "2026-05-08 00:00,1"], "at least once a day"),
    ],
)
def test_a_file_at_fault_is_refused_by_its_line(lines: list[str], told: str) -> None:
    with pytest.raises(ConfigError) as fault:
        read(*lines)
    assert told in str(fault.value)
    assert "Nothing was stored" in str(fault.value)


def test_the_same_file_may_come_again_as_it_grows(tmp_path: Path) -> None:
    config = example_config(tmp_path)
    site = replace(config.sites[0])
    lines = minutes("2026-05-11 00:00", 10, *[0.1] * 20)
    first = rain_logger.record(config, site, "\n".join(lines[:13]), "logger.csv", NOW_UTC)
    assert first.endswith("2 stored, 0 known already.")
    again = rain_logger.record(config, site, "\n".join(lines), "logger.csv", NOW_UTC)
    assert again.endswith("1 stored, 2 known already.")
    listed = record.entry_list(config, site, days=7, now_utc=NOW_UTC)
    assert listed.count("rain 0.6 mm") == 3


def test_the_commands_take_a_loggers_file_and_show_the_weather(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = Path(shutil.copytree(ROOT / "config", tmp_path / "config"))
    file = tmp_path / "logger.csv"
    file.write_text("\n".join(["timestamp,rain_mm", *minutes("2026-05-11 00:00", 60, 0.0, 1.5, 0.0, 2.0)]))
    with time_machine.travel(NOW_UTC, tick=False):
        assert app.run(["record", "gauge-csv", str(file), "--config", str(folder)]) == app.Exit.OK
        assert "3.5 mm\n3 stored, 0 known already." in capsys.readouterr().out
        file.write_text("timestamp,rain_mm\n2026-05-11 00:00,wet\n")
        assert app.run(["record", "gauge-csv", str(file), "--config", str(folder)]) == app.Exit.CONFIG
        assert "logger.csv:2: rain_mm = wet" in capsys.readouterr().err
        assert app.run(["weather", "--stored", "--config", str(folder)]) == app.Exit.ATTENTION
        assert "no usable weather" in capsys.readouterr().out
