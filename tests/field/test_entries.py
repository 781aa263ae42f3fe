"""Entries from the command line and from CSV: good ones come through, each bad one is named with its remedy."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sites import STRIP, small_site

from gonogo.errors import ConfigError
from gonogo.field import entries
from gonogo.records.field import GaugeRain, Reading, SurfaceWork, Watering

NOW = datetime(2026, 5, 12, 12, 0, tzinfo=UTC)
HEADER = ",".join(entries.COLUMNS)


def test_a_csv_with_one_row_of_each_kind_becomes_records() -> None:
    text = "\n".join(
        [
            "kind,strip,at,until,w_pct,method,rain_mm,litres,work,passes",
            "reading,N1,2026-05-12 06:40,,11.2,oven,,,,",
            "rain,,2026-05-11T18:00-05:00,2026-05-12T06:00-05:00,,,4.5,,,",
            "watering,N1,2026-05-11 09:00,,,,,9000,,",
            "surface,N1,2026-05-11 10:00,,,,,,rolled,6",
        ]
    )
    got = [new.entry for new in entries.parse_csv(text, "day.csv", small_site(), NOW)]
    assert got == [
        Reading(strip_id="N1", at_utc=datetime(2026, 5, 12, 11, 40, tzinfo=UTC), w_pct=11.2, method="oven"),
        GaugeRain(
            from_utc=datetime(2026, 5, 11, 23, tzinfo=UTC), until_utc=datetime(2026, 5, 12, 11, tzinfo=UTC), rain_mm=4.5
        ),
        Watering(strip_id="N1", at_utc=datetime(2026, 5, 11, 14, tzinfo=UTC), litres=9000.0),
        SurfaceWork(strip_id="N1", at_utc=datetime(2026, 5, 11, 15, tzinfo=UTC), work="rolled", passes=6),
    ]


def test_no_rain_in_the_gauge_is_a_reading_too() -> None:
    row = {"kind": "rain", "at": "2026-05-11 06:00", "rain_mm": "0"}
    (new,) = entries.parse([("command line", row)], small_site(), NOW)
    assert new.entry == GaugeRain(from_utc=datetime(2026, 5, 11, 11, tzinfo=UTC), until_utc=NOW, rain_mm=0.0)


def test_a_reading_on_wet_mass_is_stored_on_dry_mass() -> None:
    row = {"kind": "reading", "strip": "N1", "w_pct": "16.0", "method": "carbide"}
    for own, w_pct in (
        ({"method": "oven"}, 16.0),
        ({"basis": "dry"}, 16.0),
        ({"basis": "wet"}, 100.0 * 16.0 / 84.0),
    ):
        (new,) = entries.parse([("command line", row | own)], small_site(), NOW)
        assert isinstance(new.entry, Reading)
        assert new.entry.w_pct == pytest.approx(w_pct)


def test_a_test_of_the_upper_part_of_a_lift_says_how_deep_it_reached() -> None:
    row = {"kind": "reading", "strip": "N1", "w_pct": "11.2", "method": "nuclear gauge"}
    for text, depth_mm in (("", None), ("100", 100.0), ("150", 150.0)):
        (new,) = entries.parse([("command line", row | {"depth_mm": text})], small_site(), NOW)
        assert isinstance(new.entry, Reading)
        assert new.entry.depth_mm == depth_mm


@pytest.mark.parametrize(
    ("row", "key", "remedy"),
    [
        # A dial does not say which mass it is percent of, and nobody guesses.
        ({"kind": "reading", "strip": "N1", "w_pct": "16", "method": "carbide"}, "basis", "Write wet"),
        ({"kind": "reading", "strip": "N1", "w_pct": "16", "method": "microwave"}, "basis", "Write wet"),
        ({"kind": "reading", "strip": "N1", "w_pct": "11", "method": "oven", "depth_mm": "10"}, "depth_mm", "centi"),
        ({"kind": "reading", "strip": "N1", "w_pct": "11", "method": "oven", "depth_mm": "0.1"}, "depth_mm", "metres"),
        ({"kind": "readin", "strip": "N1"}, "kind", 'Did you mean "reading"?'),
        ({"kind": "reading", "strip": "N11", "w_pct": "11", "method": "oven"}, "strip", 'Did you mean "N1"?'),
        ({"kind": "reading", "strip": "N1", "w_pct": "0.112", "method": "oven"}, "w_pct", "looks like a ratio"),
        ({"kind": "reading", "strip": "N1", "w_pct": "-3", "method": "oven"}, "w_pct", "percent of dry mass"),
        ({"kind": "reading", "strip": "N1", "w_pct": "nan", "method": "oven"}, "w_pct", "percent of dry mass"),
        ({"kind": "reading", "strip": "N1", "w_pct": "wet", "method": "oven"}, "w_pct", "percent of dry mass"),
        ({"kind": "reading", "strip": "N1", "w_pct": "11", "method": "guess"}, "method", "oven"),
        ({"kind": "reading", "strip": "N1", "w_pct": "11", "method": "oven", "basis": "wett"}, "basis", '"wet"?'),
        ({"kind": "reading", "strip": "N1", "w_pct": "60", "method": "oven", "basis": "wet"}, "w_pct", "before drying"),
        (
            {"kind": "reading", "strip": "N1", "w_pct": "nan", "method": "oven", "basis": "wet"},
            "w_pct",
            "before drying",
        ),
        ({"kind": "watering", "strip": "N1", "litres": "900", "basis": "wet"}, "basis", "Leave it empty"),
        ({"kind": "reading", "strip": "N1", "w_pct": "11", "method": "oven", "at": "soon"}, "at", "local time"),
        ({"kind": "reading", "strip": "N1", "w_pct": "11", "method": "oven", "at": "2026-05-13"}, "at", "when it"),
        (
            {"kind": "reading", "strip": "N1", "w_pct": "11", "method": "oven", "litres": "9"},
            "litres",
            "Leave it empty",
        ),
        (
            {"kind": "rain", "at": "2026-05-12 06:00", "until": "2026-05-12 05:00", "rain_mm": "4"},
            "at",
            "gauge was emptied",
        ),
        ({"kind": "rain", "rain_mm": "4"}, "at", "local time"),
        ({"kind": "rain", "at": "2026-05-11", "rain_mm": "-1"}, "rain_mm", "millimetres"),
        ({"kind": "watering", "strip": "N1", "litres": "0"}, "litres", "litres put on"),
        ({"kind": "surface", "strip": "N1", "work": "roled"}, "work", 'Did you mean "rolled"?'),
        ({"kind": "surface", "strip": "N1", "work": "rolled", "passes": "99"}, "passes", "number of passes"),
        ({"kind": "watering", "strip": "N1", "litres": "10", "corrects": "x"}, "corrects", "number of the entry"),
    ],
)
def test_each_fault_names_its_key_and_its_remedy(row: dict[str, str], key: str, remedy: str) -> None:
    with pytest.raises(ConfigError) as caught:
        entries.parse([("day.csv:2", row)], small_site(), NOW)
    fault = next(c for c in caught.value.faults if c.key == key)
    assert fault.place == "day.csv:2"
    assert fault.value == row.get(key, "")
    assert remedy in fault.right
    assert "Nothing was stored." in str(fault)


def test_all_faults_of_a_file_are_reported_together() -> None:
    text = f"{HEADER}\nreading,N9,,,900,,guess,,,,,\nwatering,N1,,,,,,,-4,,,\n"
    with pytest.raises(ConfigError) as caught:
        entries.parse_csv(text, "day.csv", small_site(), NOW)
    assert [(c.place, c.key) for c in caught.value.faults] == [
        ("day.csv:2", "w_pct"),
        ("day.csv:2", "strip"),
        ("day.csv:2", "method"),
        ("day.csv:3", "litres"),
    ]


@pytest.mark.parametrize("text", ["", "strip,litres\nN1,5\n", "kind,strip,colour\nreading,N1,red\n"])
def test_a_header_that_does_not_fit_is_refused(text: str) -> None:
    with pytest.raises(ConfigError, match="The first line names columns"):
        entries.parse_csv(text, "day.csv", small_site(), NOW)


def test_a_row_with_too_many_values_is_refused() -> None:
    with pytest.raises(ConfigError, match="more values than columns"):
        entries.parse_csv("kind,strip\nreading,N1,11.2\n", "day.csv", small_site(), NOW)


@given(st.dictionaries(st.sampled_from(entries.COLUMNS), st.text(max_size=12)))
def test_no_row_whatever_it_holds_raises_anything_but_a_fault(row: dict[str, str]) -> None:
    try:
        got = entries.parse([("day.csv:2", row)], small_site(), NOW)
    except ConfigError:
        return
    assert len(got) == 1


def test_an_entry_of_an_ended_strip_is_told_so() -> None:
    ended = replace(STRIP, id="N9", ended=date(2026, 5, 10))
    row = {"kind": "reading", "strip": "N9", "w_pct": "11.2", "method": "oven"}
    with pytest.raises(ConfigError) as caught:
        entries.parse([("command line", row)], small_site(ended=(ended,)), NOW)
    (fault,) = caught.value.faults
    assert (fault.key, fault.value) == ("strip", "N9")
    assert "ended on 2026-05-10" in fault.wrong
    assert "gonogo strips change N9 ended=" in fault.right
