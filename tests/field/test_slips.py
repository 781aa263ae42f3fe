"""What a person can get wrong when recording: refused with place, key, value and remedy, and nothing stored."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
import time_machine
from example_mornings import ROOT
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sites import small_site

from gonogo.cli import app
from gonogo.cli.outcome import Exit
from gonogo.config.text_file import text_to_store
from gonogo.errors import ConfigError, Fault
from gonogo.field import entries, rain_logger
from gonogo.records.ranges import RANGES, greatest_rain_mm, refusal

NOW_UTC = datetime(2026, 5, 12, 12, 0, tzinfo=UTC)
READING = {"kind": "reading", "strip": "N1", "w_pct": "14", "method": "oven"}
RAIN = {"kind": "rain", "at": "2026-05-11 18:00", "rain_mm": "4.5"}
WATERING = {"kind": "watering", "strip": "N1", "litres": "9000"}
SURFACE = {"kind": "surface", "strip": "N1", "work": "rolled", "passes": "6"}
HUGE_CELL = "9" * 131_073

# a good row, what differs in it, the key at fault, a word of "wrong", a word of "right"
ROWS = {
    "all water": (READING, {"w_pct": "99"}, "w_pct", "0.6 to 80", "percent of dry mass"),
    "no water": (READING, {"w_pct": "0"}, "w_pct", "0.6 to 80", "looks like a ratio"),
    "a ratio": (READING, {"w_pct": "0.55"}, "w_pct", "0.6 to 80", "looks like a ratio"),
    "more than pores hold": (READING, {"w_pct": "38"}, "w_pct", "34 % at 1400 kg/m3", "its own dry density"),
    "density of rock": (READING, {"dry_density_kg_m3": "2900"}, "dry_density_kg_m3", "700 to 2500", "1740"),
    "density of peat": (READING, {"dry_density_kg_m3": "650"}, "dry_density_kg_m3", "700 to 2500", "1740"),
    "density in t/m3": (READING, {"dry_density_kg_m3": "1.74"}, "dry_density_kg_m3", "700 to 2500", "looks like t/m3"),
    "denser than can be": (
        READING,
        {"w_pct": "20", "dry_density_kg_m3": "1840"},
        "dry_density_kg_m3",
        "zero-air",
        "Rep",
    ),
    "infinite water": (READING, {"w_pct": "inf"}, "w_pct", "not a number", "11.2"),
    "an exponent": (WATERING, {"litres": "9e3"}, "litres", "not a number", "9000"),
    "underlined digits": (WATERING, {"litres": "9_000"}, "litres", "not a number", "9000"),
    "digits of another script": (WATERING, {"litres": "٩٠٠٠"}, "litres", "not a number", "9000"),
    "a decimal comma": (READING, {"w_pct": "11,2"}, "w_pct", "write a point", "11.2"),
    "thousands with a point": (
        WATERING,
        {"litres": "31.800"},
        "litres",
        "thousands or with dec",
        "31.8 or litres = 31800",
    ),
    "thousands with a comma": (
        WATERING,
        {"litres": "31,800"},
        "litres",
        "thousands or with dec",
        "31.8 or litres = 31800",
    ),
    "a metre of water": (WATERING, {"litres": "888800"}, "litres", "1 to 500000", "9000"),
    "more water than pores": (WATERING, {"litres": "120000"}, "litres", "150 mm of water on 800 m2", "9000"),
    "a gauge run over": (RAIN, {"rain_mm": "999"}, "rain_mm", "0 to 500", "millimetres"),
    "rain of a day in a minute": (RAIN, {"at": "2026-05-12 06:59", "rain_mm": "400"}, "rain_mm", "(60 mm)", "caught"),
    "a gauge of a month": (RAIN, {"at": "2026-04-11 18:00"}, "at", "for 31 days", "--long"),
    "passes of a disk": (SURFACE, {"work": "disked"}, "passes", "no work of a roller", "Leave it out"),
    "half a pass": (SURFACE, {"passes": "2.5"}, "passes", "not a whole number", "6"),
    "passes without end": (SURFACE, {"passes": "inf"}, "passes", "not a number", "6"),
    "half an entry": (WATERING, {"corrects": "1.5"}, "corrects", "not a whole number", "number of the entry"),
    "an entry without end": (WATERING, {"corrects": "9" * 30}, "corrects", "lies outside", "number of the entry"),
    "year 1": (WATERING, {"at": "0001-01-01 06:00"}, "at", "no year of this century", "local time"),
    "year 9999": (WATERING, {"at": "9999-12-31T23:59-23:00"}, "at", "no year of this century", "local time"),
    "the hour that spring skips": (WATERING, {"at": "2026-03-08 02:30"}, "at", "does not exist", "03:30"),
    "the hour that autumn repeats": (WATERING, {"at": "2025-11-02 01:30"}, "at", "exists twice", "01:30-05:00 or"),
    "tomorrow": (WATERING, {"at": "2026-05-13 06:00"}, "at", "in the future", "when it happened"),
    "a word of its own": (WATERING, {"meant": "really"}, "meant", "not known", "again or long"),
    "a cell without end": (WATERING, {"strip": HUGE_CELL}, "strip", "no such strip", "N1"),
    "letters that move the cursor": (WATERING, {"strip": "N1\x1b[2J"}, "strip", "no such strip", "N1"),
}


@pytest.mark.parametrize("case", ROWS)
def test_a_slip_is_refused_in_words_and_the_row_without_it_is_taken(case: str) -> None:
    good, change, key, wrong, right = ROWS[case]
    with pytest.raises(ConfigError) as caught:
        entries.parse([("day.csv:2", good | change)], small_site(), NOW_UTC)
    (fault,) = [f for f in caught.value.faults if f.key == key]
    assert wrong in fault.wrong
    assert right in fault.right
    assert str(fault).startswith(f"day.csv:2: {key} = ")
    assert str(fault).endswith("Nothing was stored.")
    assert str(fault).isprintable()
    assert len(str(fault)) < 400
    assert len(entries.parse([("day.csv:2", good)], small_site(), NOW_UTC)) == 1


@pytest.mark.parametrize(
    ("row", "value"),
    [
        (READING | {"w_pct": "11.200"}, 11.2),  # 11200 % is no other reading
        (READING | {"w_pct": "0.6"}, 0.6),
        (RAIN | {"rain_mm": "1.016"}, 1.016),
        (RAIN | {"rain_mm": "0"}, 0.0),
        (RAIN | {"at": "2026-04-11 18:00", "meant": "long"}, 4.5),
        (WATERING | {"litres": "31800"}, 31800.0),
        (WATERING | {"litres": "31.8"}, 31.8),
        (WATERING | {"at": "2025-11-02T01:30-06:00"}, 9000.0),
    ],
)
def test_what_can_be_meant_in_one_way_is_taken(row: dict[str, str], value: float) -> None:
    (new,) = entries.parse([("command line", row)], small_site(), NOW_UTC)
    assert value in [getattr(new.entry, key, None) for key in ("w_pct", "rain_mm", "litres")]


def test_a_test_with_its_own_density_may_hold_more_than_the_loose_lift() -> None:
    row = READING | {"w_pct": "38", "dry_density_kg_m3": "1300"}
    assert len(entries.parse([("command line", row)], small_site(), NOW_UTC)) == 1


def test_config_and_what_is_recorded_have_the_same_ranges() -> None:
    for key in set(entries.COLUMNS) & set(RANGES):
        for value in (RANGES[key].low, RANGES[key].high):
            assert refusal(key, value) is None
    assert {"w_pct", "dry_density_kg_m3", "passes", "rain_mm", "litres"} <= set(RANGES)


@pytest.mark.parametrize(("hours", "record_mm"), [(1 / 60, 38.0), (1.0, 305.0), (0.7, 305.0)])
def test_no_rain_that_was_ever_measured_is_refused(hours: float, record_mm: float) -> None:
    """Greatest falls: 38 mm in a minute (Barot 1970), 305 mm in 42 minutes (Holt 1947); WMO's list, from memory."""
    assert record_mm < greatest_rain_mm(hours) < 2.0 * record_mm
    assert greatest_rain_mm(48.0) == RANGES["rain_mm"].high


# --- files ---------------------------------------------------------------------------------------------------

HEADER = "kind,strip,at,litres\n"
ROW = "watering,N3,2026-05-11 09:00,9000\n"
CSV_FILES = {
    "Latin-1": ((HEADER + ROW + "watering,N\xe4,,1\n").encode("latin-1"), ":3", "not UTF-8"),
    "UTF-16": ((HEADER + ROW).encode("utf-16"), "", "UTF-16"),
    "NUL": ((HEADER + "watering,N3\0,,9000\n").encode(), ":2", "NUL"),
    "a cell without end": ((HEADER + f"watering,{HUGE_CELL},,9000\n").encode(), ":2", "field larger"),
    "an open quote": ((HEADER + 'watering,"N3,,9000\n').encode(), ":2", "no such strip"),
    "a column twice": ((HEADER.strip() + ",strip\n").encode(), ":1", "a column twice: strip"),
    "more values than columns": ((HEADER + "watering,N3,,9000,7\n").encode(), ":2", "more values than columns"),
}
LOGGER = "2026-05-11 00:00,0.2\n2026-05-11 00:01,0.2\n2026-05-11 00:02,0.2\n"
LOGGER_FILES = {
    "Latin-1": (b"2026-05-11 00:00,0.2 \xb5m\n", ":1", "not UTF-8"),
    "UTF-16": (LOGGER.encode("utf-16"), "", "UTF-16"),
    "NUL": ((LOGGER + "\0").encode(), ":4", "NUL"),
    "a cell without end": ((LOGGER + HUGE_CELL + ",1\n").encode(), ":4", "field larger"),
    "rain of a day in a minute": ((LOGGER + "2026-05-11 00:03,400\n").encode(), ":4", "ever fell in 0:01:00 (60 mm)"),
    "a gauge run over": ((LOGGER + "2026-05-11 00:03,900\n").encode(), ":4", "0 to 500"),
    "infinite rain": ((LOGGER + "2026-05-11 00:03,inf\n").encode(), ":4", "not a number"),
    "year 1": ((LOGGER + "0001-01-01 00:03,1\n").encode(), ":4", "no year of this century"),
    "year 9999": ((LOGGER + "9999-12-31 23:59,1\n").encode(), ":4", "no year of this century"),
    "the hour that spring skips": ((LOGGER + "2026-03-08 02:30,1\n").encode(), ":4", "does not exist"),
}


@pytest.fixture
def say(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    folder = shutil.copytree(ROOT / "config", tmp_path / "config")

    def run(*words: str) -> tuple[int, str, str]:
        with time_machine.travel(NOW_UTC, tick=False):
            code = app.run(["record", *words, "--config", str(folder)])
        return (int(code), *capsys.readouterr())

    return run


def is_refused(
    say: Callable[..., tuple[int, str, str]], command: str, path: Path, case: tuple[bytes, str, str]
) -> None:
    content, line, wrong = case
    path.write_bytes(content)
    code, _, shown = say(command, str(path))
    assert code == Exit.CONFIG
    assert f"{path}{line}: " in shown
    assert wrong in shown
    assert "Traceback" not in shown
    assert "Nothing was stored." in shown
    assert "nothing recorded" in say("list")[1]


@pytest.mark.parametrize("case", CSV_FILES)
def test_a_csv_that_is_none_is_refused_by_its_line(
    case: str, say: Callable[..., tuple[int, str, str]], tmp_path: Path
) -> None:
    is_refused(say, "csv", tmp_path / "day.csv", CSV_FILES[case])


@pytest.mark.parametrize("case", LOGGER_FILES)
def test_a_loggers_file_that_is_none_is_refused_by_its_line(
    case: str, say: Callable[..., tuple[int, str, str]], tmp_path: Path
) -> None:
    is_refused(say, "gauge-csv", tmp_path / "logger.csv", LOGGER_FILES[case])


@pytest.mark.parametrize("command", ["csv", "gauge-csv"])
def test_a_file_that_never_ends_is_refused(command: str, say: Callable[..., tuple[int, str, str]]) -> None:
    code, _, shown = say(command, "/dev/zero")
    assert code == Exit.CONFIG
    assert "/dev/zero: file: is larger than 20 MB" in shown


GOOD_CSV = (
    "kind,strip,at,until,w_pct,method,rain_mm,litres,work,passes,meant\n"
    "reading,N1,2026-05-12 06:40,,11.2,oven,,,,,\nrain,,2026-05-11 18:00,2026-05-12 06:00,,,4.5,,,,\n"
    "watering,N1,2026-05-11 09:00,,,,,9000,,,\nsurface,N1,2026-05-11 10:00,,,,,,rolled,6,again\n"
)
PIECES = (
    *("\0", "\ufeff", '"', ",", ";", "\n", "\r", "\x1b[2J", "\u202e", "\u00e9", "\udc80", "\u0663"),
    *("inf", "nan", "-", "1e999", "31.800", "9" * 400, "9" * 131_073),
    *("0001-01-01", "9999-12-31T23:59+14:00", "2026-03-08 02:30", "2026-W20-2", "24:00"),
)


@st.composite
def spoiled(draw: st.DrawFn, text: str) -> bytes:
    """A text with up to six pieces put in, or taken out, and now and then in another encoding."""
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, len(text)))
        until = min(len(text), at + draw(st.integers(0, 12)))
        text = text[:at] + draw(st.sampled_from(PIECES) | st.text(max_size=3)) + text[until:]
    encoding = draw(st.sampled_from(("utf-8", "utf-8", "utf-8", "latin-1", "utf-16", "utf-32")))
    return text.encode(encoding, "surrogatepass" if encoding.startswith("utf") else "replace")


@settings(max_examples=400, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(body=spoiled(GOOD_CSV) | spoiled(LOGGER))
def test_however_a_file_is_spoiled_it_is_read_or_refused_in_words(tmp_path: Path, body: bytes) -> None:
    path = tmp_path / "spoiled.csv"
    path.write_bytes(body)
    for read in (entries.parse_csv, rain_logger.parse):
        for fault in faults_of(read, path):
            assert str(fault).isprintable()
            assert fault.place.startswith(str(path))
            assert fault.key
            assert fault.wrong
            assert fault.right.endswith("Nothing was stored.")


def faults_of(read: Callable[..., object], path: Path) -> tuple[Fault, ...]:
    """Return what is wrong with a file, nothing where it is read; any other error goes through."""
    try:
        read(text_to_store(path), str(path), small_site(), NOW_UTC)
    except ConfigError as error:
        return error.faults or (Fault(place="", key="", value="", wrong="", right=""),)
    return ()


# --- beside what is stored -----------------------------------------------------------------------------------


def test_the_same_csv_is_known_again_line_by_line(say: Callable[..., tuple[int, str, str]], tmp_path: Path) -> None:
    path = tmp_path / "day.csv"
    path.write_text(HEADER + ROW + "watering,N3,,8000\n")
    assert "2 stored." in say("csv", str(path))[1]
    assert say("csv", str(path))[1].splitlines() == ["0 stored, 2 known already."]
    # The file grows, and its columns stand in another order: what it says is the same.
    path.write_text("litres,kind,strip,at\n9000,watering,N3,2026-05-11 09:00\n8000,watering,N3,\n7000,watering,N3,\n")
    assert "1 stored, 2 known already." in say("csv", str(path))[1]
    assert len(say("list")[1].splitlines()) == 3


@pytest.mark.parametrize(
    "words",
    [
        ("watering", "N3", "9000"),
        ("reading", "N3", "14.2", "--method", "oven"),
        ("surface", "N3", "rolled", "--passes", "6"),
        ("rain", "4.5", "--since", "2026-05-11 18:00"),
    ],
)
def test_a_likely_double_is_asked_about(words: tuple[str, ...], say: Callable[..., tuple[int, str, str]]) -> None:
    assert say(*words)[0] == Exit.OK
    code, _, shown = say(*words)
    assert code == Exit.CONFIG
    assert "is recorded already as entry 1" in shown
    assert "--again" in shown
    assert len(say("list")[1].splitlines()) == 1
    assert say(*words, "--again")[0] == Exit.OK
    assert len(say("list")[1].splitlines()) == 2


def test_only_what_is_near_in_time_and_alike_is_a_double(say: Callable[..., tuple[int, str, str]]) -> None:
    at = ("--at", "2026-05-12 03:00")
    assert say("watering", "N3", "9000", *at)[0] == Exit.OK
    for words in (("N3", "9100", *at), ("N2", "9000", *at), ("N3", "9000", "--at", "2026-05-12 04:01")):
        assert say("watering", *words)[0] == Exit.OK
    assert say("watering", "N3", "9000", "--at", "2026-05-12 05:01")[0] == Exit.CONFIG
    assert say("watering", "N3", "9000", *at, "--corrects", "1")[0] == Exit.OK  # what it replaces is no double of it


def test_two_tests_of_one_moment_that_contradict_each_other_are_asked_about(
    say: Callable[..., tuple[int, str, str]],
) -> None:
    assert say("reading", "N3", "9", "--method", "oven")[0] == Exit.OK
    code, _, shown = say("reading", "N3", "27", "--method", "oven")
    assert code == Exit.CONFIG
    assert "contradicts entry 1, 9 at the same moment" in shown
    assert say("reading", "N3", "12", "--method", "oven")[0] == Exit.OK


def test_a_correction_keeps_to_kind_and_strip(say: Callable[..., tuple[int, str, str]]) -> None:
    assert say("reading", "N3", "24", "--method", "oven")[0] == Exit.OK
    for words in (("reading", "N2", "13", "--method", "oven"), ("watering", "N3", "9000")):
        code, _, shown = say(*words, "--corrects", "1")
        assert code == Exit.CONFIG
        assert "Entry 1 is a reading of N3" in shown
    assert "24.0 %" in say("list")[1]
    assert "corrected" not in say("list")[1]


def test_an_entry_is_withdrawn_and_stays_on_record(say: Callable[..., tuple[int, str, str]], tmp_path: Path) -> None:
    assert say("watering", "N3", "9000")[0] == Exit.OK
    code, shown, _ = say("withdraw", "1")
    assert (code, shown) == (Exit.OK, "2: withdraws 1; it counts no more.\n")
    listed = say("list")[1]
    assert "watered 9000 L  [corrected by 2]" in listed
    assert "withdraws 1" in listed
    for number, wrong in (("1", "corrected already"), ("2", "only withdraws another"), ("77", "does not exist")):
        code, _, shown = say("withdraw", number)
        assert code == Exit.CONFIG
        assert wrong in shown
    # What was withdrawn is no double of what comes after.
    assert say("watering", "N3", "9000")[0] == Exit.OK


@pytest.mark.parametrize(
    ("line", "key"),
    [
        ("watering,N3,2026-05-11 18:00,9000,,", "litres = 9000.0"),
        ("surface,N3,2026-05-11 18:00,,rolled,", "work = rolled"),
        ("rain,,2026-05-11 18:00,,,", "rain_mm = 4.0"),
    ],
)
def test_a_line_that_was_pasted_twice_is_asked_about(
    line: str, key: str, say: Callable[..., tuple[int, str, str]], tmp_path: Path
) -> None:
    path = tmp_path / "day.csv"
    extra = "4,2026-05-11 20:00" if line.startswith("rain") else ","
    head = "kind,strip,at,litres,work,meant,rain_mm,until\n"
    path.write_text(head + f"{line},{extra}\n" * 2)
    code, _, shown = say("csv", str(path))
    assert code == Exit.CONFIG
    assert f"{path}:3: {key}: stands in {path}:2 too, of the same moment." in shown
    path.write_text(head + f"{line},{extra}\n" + f"{line}again,{extra}\n")
    assert "2 stored." in say("csv", str(path))[1]
    assert "0 stored, 2 known already." in say("csv", str(path))[1]


def test_a_csv_with_one_double_stores_none_of_its_lines(
    say: Callable[..., tuple[int, str, str]], tmp_path: Path
) -> None:
    path = tmp_path / "day.csv"
    path.write_text("kind,strip,litres,meant\nwatering,N2,5000,\nwatering,N3,9000,\n")
    assert say("watering", "N3", "9000")[0] == Exit.OK
    code, _, shown = say("csv", str(path))
    assert code == Exit.CONFIG
    assert f"{path}:3: litres = 9000.0: is recorded already as entry 1" in shown
    assert len(say("list")[1].splitlines()) == 1
    path.write_text("kind,strip,litres,meant\nwatering,N2,5000,\nwatering,N3,9000,again\n")
    assert "2 stored." in say("csv", str(path))[1]
