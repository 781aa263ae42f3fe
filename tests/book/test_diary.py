"""The site's book as a folder: what stands in its tables, that others can read them, and that an alteration shows."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import frictionless
import pytest
from book_season import FIRST, Season
from python_ags4 import AGS4
from sites import small_site

from gonogo.book import chain, diary, export
from gonogo.book.export import Covered
from gonogo.cli import app, book_app
from gonogo.errors import GonogoError
from gonogo.field import station
from gonogo.records.field import GaugeRain, Reading
from gonogo.store import history, schema
from gonogo.store.history import Arrival
from gonogo.wording.language import languages, speaker

N_DAYS = 5
MADE_UTC = datetime(2026, 5, 1, 12, tzinfo=UTC)
Table = list[dict[str, str]]


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Season]:
    """Five working days of the example site, with a test corrected, one withdrawn, water, rolling and a gauge."""
    season = Season(tmp_path_factory.mktemp("book"), n_days=N_DAYS)
    days = [FIRST + timedelta(days=n) for n in range(N_DAYS)]
    season.day_of_work(days[0], tests=[("N1", 17.4), ("N2", 15.0)])
    wrong = season.add(Reading(strip_id="N3", at_utc=season.at(days[0], "06:45"), w_pct=71.8, method="nuclear gauge"))
    right = Reading(strip_id="N3", at_utc=season.at(days[0], "06:45"), w_pct=17.8, method="nuclear gauge")
    season.add(right, corrects_id=wrong)
    season.morning(days[0])
    season.day_of_work(days[1], tests=[("N1", 17.2)], N2=9000.0, N1="rolled")
    density = Reading(
        strip_id="N1", at_utc=season.at(days[1], "10:00"), w_pct=16.9, method="oven", dry_density_kg_m3=1700.0
    )
    season.add(density)
    slip = season.add(Reading(strip_id="N4", at_utc=season.at(days[1], "11:00"), w_pct=12.0, method="hand feel"))
    with schema.begin(season.store) as connection:
        arrival = Arrival(entered_utc=season.at(days[1], "11:30"), entered_by="command line", note="wrong strip")
        history.withdraw_entry(connection, season.site.id, slip, arrival)
    season.add(GaugeRain(from_utc=season.at(days[0], "12:00"), until_utc=season.at(days[2], "12:00"), rain_mm=8.0))
    for day in days[1:]:
        season.morning(day)
    yield season
    season.store.dispose()


@pytest.fixture(scope="module")
def exported(season: Season, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("diary")
    covered = Covered(site=season.site, first=FIRST, last=FIRST + timedelta(days=N_DAYS - 1))
    diary.write(season.config, covered, folder=folder, now_utc=MADE_UTC, speak=speaker("en", "metric"))
    return folder


def table(folder: Path, name: str) -> Table:
    with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_a_strip_has_what_it_was_told_beside_what_was_done(exported: Path) -> None:
    rows = {(row["day"], row["strip"]): row for row in table(exported, "strip_day")}
    assert len(rows) == 10 * N_DAYS
    watered, rolled = rows["2026-04-07", "N2"], rows["2026-04-07", "N1"]
    assert watered["litres_recorded"] == "9000"
    assert rolled["work_recorded"] == "rolled, 6 passes"
    after = rows["2026-04-08", "N1"]
    assert (after["reason"], after["lost_h"], after["lost_to"]) == ("lift_accepted", "", "")
    untested = rows["2026-04-06", "N5"]
    assert (untested["verdict"], untested["lost_h"], untested["lost_to"]) == ("wait", "10.5", "missing test")


def test_the_weather_of_a_day_is_what_a_later_answer_says_beside_what_was_foreseen(exported: Path) -> None:
    first, *others = table(exported, "weather_day")
    assert first["service_fetched_utc"] == "2026-04-07T10:00:00Z", "the next morning's answer accounts for it"
    assert (others[0]["service_rain_mm"], others[0]["service_rain_in_shift_h"]) == ("6.5", "3")
    assert float(others[0]["forecast_rain_mm"]) == pytest.approx(6.5, abs=0.3)
    assert others[-1]["service"] == "", "no answer came after the last day"
    assert others[-1]["forecast_rain_mm"] != ""
    # 8.0 mm in 48 h: half a day of it on the first date, all of the second, half of the third.
    assert [row["gauge_rain_mm"] for row in (first, *others)] == ["2.0", "4.0", "2.0", "", ""]
    assert {row["station_rain_mm"] for row in (first, *others)} == {""}, "nothing else stands in for the station"


def test_the_contract_s_station_stands_in_its_own_columns_and_the_anticipated_days_on_the_page(
    season: Season, tmp_path: Path
) -> None:
    site = replace(season.site, contract_station="Harrow airfield", adverse_days=tuple(float(n) for n in range(1, 13)))
    config = replace(season.config, sites=(site,))
    station.record(config, site, "day,rain_mm,wind_max_m_s\n2026-04-07,7.4,9.5\n", "s.csv", MADE_UTC)
    covered = Covered(site=site, first=FIRST, last=FIRST + timedelta(days=N_DAYS - 1))
    written = diary.write(config, covered, folder=tmp_path, now_utc=MADE_UTC, speak=speaker("en", "metric"))
    first, second, *_ = table(tmp_path, "weather_day")
    assert (second["station"], second["station_rain_mm"]) == ("Harrow airfield", "7.4")
    assert (second["station_wind_max_m_s"], second["station_temp_max_degc"]) == ("9.5", "")
    assert second["service_rain_mm"] == "6.5", "neither fills in for the other"
    assert first["station"] == ""
    assert "The contract anticipates 4." in written.pages[0].read_text(encoding="utf-8")


def test_tests_in_force_stand_with_their_lift_and_what_the_specification_asks(exported: Path) -> None:
    rows = table(exported, "test")
    assert [row["w_pct"] for row in rows] == ["17.4", "15.0", "17.8", "17.2", "16.9"]
    density = rows[-1]
    assert density["lift"] == "1", "a density test after rolling is of the rolled lift"
    assert float(density["compaction_pct"]) == pytest.approx(100 * 1700 / 1760, abs=2.0)
    assert density["is_passed"] == ("true" if float(density["compaction_pct"]) >= 95.0 else "false")
    assert rows[0]["is_passed"] == ""


def test_every_entry_ever_made_stands_there_with_what_became_of_it(exported: Path) -> None:
    rows = {row["entry"]: row for row in table(exported, "entry")}
    wrong = next(row for row in rows.values() if row["record"].count("71.8"))
    assert rows[wrong["corrected_by"]]["corrects"] == wrong["entry"]
    withdrawal = next(row for row in rows.values() if row["kind"] == "withdrawn")
    assert rows[withdrawal["corrects"]]["corrected_by"] == withdrawal["entry"]
    assert withdrawal["note"] == "wrong strip"


def test_mails_stand_with_their_reader_and_their_end(exported: Path) -> None:
    rows = table(exported, "mail")
    assert len(rows) == 5 * N_DAYS
    assert {row["state"] for row in rows} == {"sent"}
    assert all(row["settled_utc"] > row["put_utc"] for row in rows)


def test_another_program_reads_the_package_and_finds_it_valid(exported: Path) -> None:
    """Checked by the reference library of the Data Package and Table Schema specifications."""
    report = frictionless.Package(str(exported / export.DESCRIPTION)).validate()
    assert report.valid, report.flatten(["type", "note"])
    assert sum(task.stats.get("rows", 0) for task in report.tasks) > 90


def test_a_laboratory_s_program_reads_the_tests_and_finds_nothing_wrong(exported: Path) -> None:
    """Checked by the open library of the AGS4 format against the dictionary of its edition 4.1.1."""
    path = str(exported / diary.AGS_FILE)
    found = AGS4.check_file(path)
    assert set(found) <= {"Summary of data", "Metadata"}, found
    tables, _ = AGS4.AGS4_to_dataframe(path)
    rows = tables["IDEN"].loc[tables["IDEN"]["HEADING"] == "DATA"]
    assert list(rows["IDEN_MC"]) == ["17.4", "15.0", "17.8", "17.2", "16.9"]
    assert rows["IDEN_IDEN"].iloc[-1] == f"{1.7 * 1.169:.2f}", "bulk density, as the format asks"
    assert "% required" in rows["IDEN_REM"].iloc[-1]
    peaks = tables["CMPG"].loc[tables["CMPG"]["HEADING"] == "DATA"]
    assert len(peaks) == 3


def test_an_altered_page_or_a_file_gone_is_found(exported: Path) -> None:
    for path in (exported / diary.AGS_FILE, exported / "2026-04.html"):
        data = path.read_bytes()
        path.write_bytes(data.replace(b"17", b"18", 1))
        assert export.verified(exported)[0] == (f"{path.name}: is not what was exported.",)
        path.unlink()
        assert export.verified(exported)[0] == (f"{path.name}: is not what was exported.",)
        path.write_bytes(data)
    assert not export.verified(exported)[0]


def test_an_export_is_as_exported_and_any_digit_altered_is_found(exported: Path) -> None:
    faults, sha256 = export.verified(exported)
    assert not faults
    assert len(sha256) == 64
    for path in sorted(exported.glob("*.csv")):
        whole = path.read_text(encoding="utf-8")
        lines = whole.splitlines(keepends=True)
        altered = {
            "a digit": whole.replace("0", "1", 1),
            "a row gone": "".join(lines[:-2] + lines[-1:]),
            "the last row gone": "".join(lines[:-1]),
            "a row doubled": whole + lines[-1],
            "two rows changed about": "".join([lines[0], lines[2], lines[1], *lines[3:]]),
        }
        for what, text in altered.items():
            path.write_text(text, encoding="utf-8")
            found, _ = export.verified(exported)
            assert [path.name in fault for fault in found] == [True], (path.name, what)
        path.write_text(whole, encoding="utf-8")
    assert not export.verified(exported)[0]


def test_cells_of_one_text_are_told_apart_by_their_length() -> None:
    assert chain.next_hash(chain.START, ["ab", "c"]) != chain.next_hash(chain.START, ["a", "bc"])


def test_a_folder_that_is_no_diary_is_refused(tmp_path: Path) -> None:
    with pytest.raises(GonogoError, match="gonogo diary"):
        export.verified(tmp_path)
    (tmp_path / export.DESCRIPTION).write_text("[]")
    with pytest.raises(GonogoError, match="Export the diary again"):
        export.verified(tmp_path)


@pytest.mark.parametrize("code", languages())
def test_the_page_of_a_month_stands_in_every_language_and_shows_what_the_tables_hold(
    season: Season, tmp_path: Path, code: str
) -> None:
    covered = Covered(site=season.site, first=FIRST, last=FIRST + timedelta(days=N_DAYS - 1))
    written = diary.write(season.config, covered, folder=tmp_path, now_utc=MADE_UTC, speak=speaker(code, "metric"))
    assert [path.name for path in written.pages] == ["2026-04.html"]
    text = written.pages[0].read_text(encoding="utf-8")
    assert len(text) < 200_000
    assert not re.search("<script|src=", text), "complete in itself"
    assert text.count("<svg") == 1 + len(season.site.strips)
    decimal = "," if code != "en" else "."
    assert f"6{decimal}5" in text, "the rain of the second day"
    assert f"17{decimal}8" in text
    assert f"71{decimal}8" not in text, "what was corrected is not shown as a test"


def test_months_of_a_span_are_whole_but_for_its_ends() -> None:
    covered = Covered(site=small_site(), first=date(2026, 1, 30), last=date(2026, 3, 2))
    spans = [(part.first, part.last) for part in diary.months(covered)]
    assert spans == [
        (date(2026, 1, 30), date(2026, 1, 31)),
        (date(2026, 2, 1), date(2026, 2, 28)),
        (date(2026, 3, 1), date(2026, 3, 2)),
    ]


def test_the_command_writes_and_verifies(
    season: Season, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(book_app, "load_config", lambda _: season.config)
    folder = str(tmp_path / "out")
    assert app.run(["diary", "--month", "2026-04", "--out", folder]) == app.Exit.OK
    assert "strip_day 50" in capsys.readouterr().out
    assert app.run(["diary", "--verify", folder]) == app.Exit.OK
    table_path = tmp_path / "out" / "strip_day.csv"
    table_path.write_text(table_path.read_text(encoding="utf-8").replace("9000", "9001"), encoding="utf-8")
    assert app.run(["diary", "--verify", folder]) == app.Exit.ATTENTION
    assert "strip_day.csv: line" in capsys.readouterr().out
    assert app.run(["diary", "--out", folder]) == app.Exit.CONFIG
    assert app.run(["diary", "--month", "2031-04", "--out", folder]) == app.Exit.CONFIG
    assert "no day of it has been" in capsys.readouterr().err
