"""A CSV as spreadsheets elsewhere save it: read where its first line makes it certain, else refused in words."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sites import STRIP, small_site

from gonogo.config.text_file import text_to_store
from gonogo.errors import ConfigError
from gonogo.field import amounts, entries
from gonogo.field.entries import NewEntry
from gonogo.records.field import Reading, Watering

NOW = datetime(2026, 5, 25, 20, 0, tzinfo=UTC)
SITE = small_site(
    strips=(STRIP, replace(STRIP, id="N2", name="Ramp middle"), replace(STRIP, id="N3", name="Ramp middle"))
)
OVEN = datetime(2026, 5, 12, 11, 40, tzinfo=UTC)


def read(text: str) -> list[object]:
    return [new.entry for new in entries.parse_csv(text, "day.csv", SITE, NOW)]


@pytest.mark.parametrize(
    "text",
    [
        "kind,strip,at,w_pct,method\nreading,N1,2026-05-12 06:40,11.2,oven\n",
        "\ufeffkind;strip;at;w_pct;method\nreading;N1;2026-05-12 06:40;11,2;oven\n",
        "kind\tstrip\tat\tw_pct\tmethod\nreading\tn1\t2026-05-12 06:40\t11.2\toven\n",
        "kind;strip;at (dd/mm/yyyy);w_pct;method\nreading;N1;12/05/2026 06:40;11,2;oven\n",
        "kind,strip,at [mm/dd/yyyy],w_pct,method\nreading,N1,5/12/2026 06:40,11.2,oven\n",
        "kind;strip;at dd.mm.yyyy;w_pct;method\nreading;North 1;12.05.2026 06:40;11,2;oven\n",
    ],
)
def test_a_file_is_read_where_its_first_line_makes_it_certain(text: str) -> None:
    assert read(text) == [Reading(strip_id="N1", at_utc=OVEN, w_pct=11.2, method="oven")]


def test_the_same_line_written_otherwise_is_known_again() -> None:
    first = "kind,strip,at,w_pct,method\nreading,N1,2026-05-12 06:40,11.2,oven\n"
    second = "kind;strip;at (dd/mm/yyyy);w_pct;method\nreading;N1;12/05/2026 06:40;11,2;oven\n"
    keys = [entries.parse_csv(text, "day.csv", SITE, NOW)[0].source_key for text in (first, second)]
    assert keys[0] == keys[1]


@pytest.mark.parametrize(
    ("text", "key", "says"),
    [
        ("kind;strip;at;litres\nwatering;N1;2026-05-12 06:40;6,950\n", "litres", "thousands or with decimals"),
        ("kind;strip;at;litres\nwatering;N1;2026-05-12 06:40;6.950\n", "litres", "thousands or with decimals"),
        ("kind,strip,at,w_pct,method\nreading,N1,12/05/2026 06:40,11.2,oven\n", "at", "dd/mm/yyyy"),
        ("kind,strip,at,w_pct,method\nreading,N1,25/05/2026 06:40,11.2,oven\n", "at", "dd/mm/yyyy"),
        ("kind,strip,at,w_pct,method\nreading,N1,06:40,11.2,oven\n", "at", "not a date and time"),
        ("kind;strip;at (dd/mm/yyyy);w_pct;method\nreading;N1;05/25/2026 06:40;11,2;oven\n", "at", "not a date"),
        ("kind,strip,at,w_pct,method\nreading,Ramp middle,2026-05-12 06:40,11.2,oven\n", "strip", "N2, N3"),
        ("kind;strip,at\nreading;N1\n", "header", "unknown columns"),
    ],
)
def test_what_stays_open_is_refused_in_words(text: str, key: str, says: str) -> None:
    with pytest.raises(ConfigError) as refused:
        read(text)
    assert key in [fault.key for fault in refused.value.faults]
    assert says in str(refused.value)


@pytest.mark.parametrize("encoding", ["latin-1", "utf-16", "cp1252"])
def test_a_file_of_another_encoding_is_refused_with_what_to_do(encoding: str, tmp_path: Path) -> None:
    file = tmp_path / "day.csv"
    file.write_bytes("kind;strip\nreading;Présa\n".encode(encoding))
    with pytest.raises(ConfigError, match="Save it as UTF-8"):
        text_to_store(file)


SAVED = "kind;strip;at;w_pct;method;density comment\nreading;Présa;2026-05-25 06:40;11,2;oven;\n"


@pytest.mark.parametrize("encoding", ["latin-1", "cp1252", "utf-8", "utf-8-sig"])
def test_a_site_that_says_how_its_spreadsheets_save_has_them_read(encoding: str, tmp_path: Path) -> None:
    file = tmp_path / "day.csv"
    file.write_bytes(SAVED.encode(encoding))
    assert text_to_store(file, "windows-1252") == SAVED


def test_without_that_nobody_guesses_and_the_setting_is_named(tmp_path: Path) -> None:
    file = tmp_path / "day.csv"
    file.write_bytes(SAVED.encode("latin-1"))
    with pytest.raises(ConfigError, match=r'Save it as UTF-8. Or write csv_encoding = "windows-1252" under \[site\]'):
        text_to_store(file)
    file.write_bytes(SAVED.encode("latin-1") + b"\x81")
    with pytest.raises(
        ConfigError, match=r"is not UTF-8 nor windows-1252 text .* Save it as UTF-8. Nothing was stored"
    ):
        text_to_store(file, "windows-1252")


def test_a_typed_time_is_of_today_and_a_strip_is_known_by_its_name() -> None:
    row = {"kind": "watering", "strip": "north 1", "at": "10:30", "litres": "9000"}
    (new,) = entries.parse([("command line", row)], SITE, NOW)
    assert new.entry == Watering(strip_id="N1", at_utc=datetime(2026, 5, 25, 15, 30, tzinfo=UTC), litres=9000.0)


@pytest.mark.parametrize(
    ("litres", "told", "is_far"),
    [
        (32.0, None, True),
        (9000.0, None, False),
        (20_000.0, None, True),
        (9000.0, 8000.0, False),
        (9000.0, 60_000.0, True),
        (9000.0, 1000.0, True),
    ],
)
def test_an_amount_far_from_what_a_strip_needs_is_asked_about(litres: float, told: float | None, is_far: bool) -> None:
    entry = Watering(strip_id="N1", at_utc=NOW, litres=litres)
    told_litres = {} if told is None else {"N1": told}
    new = NewEntry(entry=entry, corrects=None)
    assert bool(amounts.faults([new], SITE, told_litres)) == is_far
    assert not amounts.faults([replace(new, is_meant_again=True)], SITE, told_litres)
