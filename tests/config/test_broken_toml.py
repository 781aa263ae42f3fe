"""Slips of TOML: each is said with its line, what stood there and what would be right, and hides no other fault."""

from __future__ import annotations

import pytest
from config_copy import SITE, Copy
from hypothesis import given, settings
from hypothesis import strategies as st

from gonogo.config.broken_toml import read_broken
from gonogo.config.broken_values import decimal_commas

GONOGO = "gonogo.toml"

# What stands in the example, a slip in its place, key of the fault, words of "wrong", words of "right".
SLIPS = {
    "two numbers": ("length_m = 120", "length_m = 12 0", "strip.N1.length_m", "more than one number", "120 (m)"),
    "text without quotes": ('name = "N1 Ramp toe"', "name = N1 Ramp toe", "strip.N1.name", "without quotes",
        'name = "N1 Ramp toe"'),
    "quote left open": ('surface = "loose"', 'surface = "loose', "strip.N1.surface", "not closed",
        'surface = "loose"'),
    "typographic quotes": ('surface = "loose"', "surface = \u201cloose\u201d", "strip.N1.surface", "word processor",
        'surface = "loose"'),
    "quote in quotes": ('note = "Pump house', 'note = "Pump "big" house', "strip.S2.note", "quotation mark",
        "note = 'Pump"),
    "backslash": ('note = "Pump', 'note = "C:\\Users Pump', "strip.S2.note", "backslash", "'C:\\Users"),
    "a strip twice": ("[strip.N2]\n", "[strip.N1]\n", "strip.N1", "twice, first on line", "name of its own"),
    "a key twice": ("length_m = 120", "length_m = 120\nlength_m = 121", "strip.N1.length_m",
        "twice, first on line", "Delete one"),
    "day that is none": ("2026-05-25", "2026-02-30", "site.holidays", "2026-02-30, which is no day", "2026-05-25"),
    "nested too deep": ("holidays = [", "x = " + "[" * 5000 + "]" * 5000 + "\nholidays = [", "site.x", "be read",
        "Write a number"),
    "number too long": ("passes = 8 ", f"passes = {'9' * 5000} ", "strip.S2.passes", "be read", "passes = 6"),
    "unit": ("length_m = 120", "length_m = 120 m", "strip.N1.length_m", "has a unit (m)", "number alone"),
    "decimal comma": ("length_m = 120", "length_m = 15,6", "strip.N1.length_m", "has a comma", "length_m = 15.6"),
    "comma in quotes": ("length_m = 120", 'length_m = "15,6"', "strip.N1.length_m", "has a comma", "length_m = 15.6"),
    "comma before three digits": ("mdd_kg_m3 = 1890", "mdd_kg_m3 = 1,890", "material.silty_sand.mdd_kg_m3",
        "has a comma", "1.890 or 1890"),
    "commas in a list": ("[14.1, 16.0, 18.1, 20.0, 22.1]", "[14,1, 16,0, 18,1, 20,0, 22,1]",
        "material.clay.curve_w_pct", "decimal comma", "[14.1, 16.0, 18.1, 20.0, 22.1]"),
    "thousands apart": ("mdd_kg_m3 = 1890", "mdd_kg_m3 = 1 890", "material.silty_sand.mdd_kg_m3", "thousands",
        "mdd_kg_m3 = 1890"),
    "no digit before the point": ("efficiency = 0.75", "efficiency = .75", "roller.padfoot.efficiency",
        "both sides", "efficiency = 0.75"),
    "leading zero": ("passes = 8 ", "passes = 08 ", "strip.S2.passes", "zero", "passes = 8"),
    "minus of a word processor": ("longitude_deg = -94.368", "longitude_deg = \u221294.368", "site.longitude_deg",
        "U+2212", "longitude_deg = -94.368"),
    "day first": ("finish_by = 2026-05-20", "finish_by = 20/05/2026", "strip.N1.finish_by", "another order",
        "finish_by = 2026-05-20"),
    "day first in quotes": ("finish_by = 2026-05-20", 'finish_by = "20.05.2026"', "strip.N1.finish_by",
        "another order", "finish_by = 2026-05-20"),
    "day or month first": ("finish_by = 2026-05-20", "finish_by = 05/06/2026", "strip.N1.finish_by", "another order",
        "2026-06-05 (day first) or 2026-05-06 (month first)"),
    "moment without seconds": ("at = 2026-05-11 16:30:00", "at = 2026-05-11 16:30", "strip.N1.reading.at",
        "with its seconds", "at = 2026-05-11 16:30:00"),
    "moment in quotes": ("at = 2026-05-11 16:30:00", 'at = "2026-05-11 16:30"', "strip.N1.reading.at",
        "without quotes", "at = 2026-05-11 16:30:00"),
    "time without quotes": ('shift_end = "17:30"', "shift_end = 16:30", "site.shift_end", "stand in quotes",
        'shift_end = "16:30"'),
    "time with one digit": ('mail_at = "05:30"', 'mail_at = "5:30"', "site.mail_at", "two digits",
        'mail_at = "05:30"'),
    "time with pm": ('shift_end = "17:30"', 'shift_end = "5:30 PM"', "site.shift_end", "another form",
        'shift_end = "17:30"'),
    "capital": ("vibrates = true", "vibrates = True", "roller.padfoot.vibrates", "neither true nor false",
        "vibrates = true"),
    "no value": ("length_m = 120", "length_m =", "strip.N1.length_m", "no value", "length_m = 120"),
    "no number": ("length_m = 120", "length_m = n/a", "strip.N1.length_m", "is no value", "Delete the line"),
    "colon for =": ("length_m = 120", "length_m: 120", "strip.N1.length_m", "lacks the =", "length_m = 120"),
    "blank for =": ("length_m = 120", "length_m 120", "strip.N1.length_m", "lacks the =", "length_m = 120"),
    "comment of another language": ("length_m = 120", "length_m = 120 // long", "strip.N1.length_m",
        "does not begin with #", "length_m = 120"),
    "comma behind": ("elevation_m = 325", "elevation_m = 325,", "site.elevation_m", "comma behind",
        "elevation_m = 325"),
    "list left open": ("1739, 1672]", "1739, 1672", "material.clay.curve_dry_density_kg_m3", "not closed", "1672]"),
    "list with semicolons": ("[1668, 1730, 1762, 1739, 1672]", "[1668; 1730; 1762; 1739; 1672]",
        "material.clay.curve_dry_density_kg_m3", "without commas", "[1668, 1730, 1762, 1739, 1672]"),
    "header left open": ("[strip.N1]", "[strip.N1", "strip.N1", "no header", "[strip.N1]"),
    "header not opened": ("[strip.N1]", "strip.N1]", "strip.N1", "no header", "[strip.N1]"),
    "blank in a name": ("[strip.N1]", "[strip.N 1]", "strip.N_1", "a name holds letters", "[strip.N_1]"),
    "text behind a header": ("[strip.N1]", "[strip.N1] the ramp", "strip.N1", "text behind it", "[strip.N1]  #"),
    "half a pair of brackets": ("[[crew.north.person]]", "[[crew.north.person]", "crew.north.person", "no header",
        "[[crew.north.person]]"),
    "line of prose": ("[strip.N1]\n", "= see the plan\n[strip.N1]\n", "crew.south.person.2", "neither a header",
        "#"),
}  # fmt: skip


@pytest.mark.parametrize("case", SLIPS)
def test_a_slip_is_the_only_fault_of_its_file_and_hides_no_other(case: str, example: Copy) -> None:
    old, new, key, wrong, right = SLIPS[case]
    example.edit(SITE, old, new)
    example.edit(GONOGO, 'kind = "folder"', 'kind = "pigeon"')
    mail, fault = example.faults()
    assert mail.key == "mail.kind"
    assert fault.key == key
    assert wrong in fault.wrong
    assert right in fault.right
    text = (example.folder / SITE).read_text(encoding="utf-8").split("\n")
    line = text[int(fault.place.rpartition(":")[2]) - 1]
    assert not fault.value or fault.value.startswith("list of") or " ".join(fault.value.split())[:20] in line


def test_all_slips_of_a_file_and_its_other_faults_come_together(example: Copy) -> None:
    example.edit(SITE, 'mail_at = "05:30"', "mail_at = 5:30")
    example.edit(SITE, "efficiency = 0.75", "efficiency = 0,75")
    example.edit(SITE, 'surface = "loose"', "surface = soft")
    example.edit(SITE, "length_m = 140", "length_m = -140")
    faults = {(fault.key, fault.value) for fault in example.faults()}
    assert faults == {
        ("site.mail_at", "5:30"),
        ("roller.padfoot.efficiency", "0,75"),
        ("strip.N1.surface", "soft"),
        ("strip.N1.surface", '"soft"'),
        ("strip.N2.length_m", "-140"),
    }


def test_whole_numbers_in_pairs_are_no_decimal_commas(example: Copy) -> None:
    example.edit(SITE, "[14.1, 16.0, 18.1, 20.0, 22.1]", "[14,16, 18,20,22]")
    example.edit(SITE, "[site]", "[site]\nadverse_days = [6,5, 4,4, 3,2, 2,2, 3,3, 4,5]")
    config = example.load()
    assert config.sites[0].material("clay").curve_w_pct == (14, 16, 18, 20, 22)
    assert decimal_commas("curve_w_pct = [14,16, 18,20]") is None


def test_a_secret_that_is_a_slip_too_is_not_shown(example: Copy) -> None:
    example.edit(GONOGO, 'sender = "gonogo@example.com"', 'sender = "gonogo@example.com"\npassword = opensesame')
    assert all("opensesame" not in str(fault) for fault in example.faults())


def test_a_text_that_is_no_toml_at_all_is_one_fault(example: Copy) -> None:
    (example.folder / SITE).write_text("<p>404</p>\n" * 300, encoding="utf-8")
    (fault,) = example.faults()
    assert (fault.key, fault.wrong) == ("file", "is not TOML.")


@settings(max_examples=100, deadline=None)
@given(st.text(alphabet=st.sampled_from("ab1.,:=[]{}\"'#\n -/\\T\u201c\u00a0"), max_size=60))
def test_any_text_is_read_or_said(text: str) -> None:
    mended = read_broken(text)
    if mended is not None:
        assert isinstance(mended.tables, dict)
        assert all(slip.wrong and slip.right and 1 <= slip.line <= text.count("\n") + 1 for slip in mended.slips)
