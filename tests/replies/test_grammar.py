"""Lines of answers: what each means, and what is asked back because it could mean two things."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from reply_scene import LANGUAGES, NOW_LOCAL, UNITS, reader, site

import gonogo.replies
from gonogo.replies import numbers, parts
from gonogo.replies.grammar import ReplyLine, Unread, read
from gonogo.wording.language import speaker
from gonogo.wording.reply_words import ACTS, folded, meanings, printed, tables

STRIPS = site().strips
ROOM = Path(gonogo.replies.__file__).parent

# (language, units, line) -> kind, strip, amounts
UNDERSTOOD = [
    ("en", "us", "N3 11.2", "reading", "N3", {"w_pct": 11.2}),
    ("en", "us", "n3 11,2 gauge top 4 in", "reading", "N3", {"w_pct": 11.2, "depth_m": 0.1016}),
    ("es", "metric", "N3 11,2 densímetro arriba 100", "reading", "N3", {"w_pct": 11.2, "depth_m": 0.1}),
    ("en", "us", "Hollow: 11.2% 108.5 pcf", "reading", "N3", {"w_pct": 11.2, "dry_density_kg_m3": 1738.0032}),
    ("en", "metric", "N3 Hollow 11.2% 1740 kg/m3", "reading", "N3", {"w_pct": 11.2, "dry_density_kg_m3": 1740.0}),
    ("en", "metric", "N1 11.2 95.8%", "reading", "N1", {"w_pct": 11.2, "compaction_pct": 95.8}),
    ("en", "metric", "N1 14 carbide wet basis", "reading", "N1", {"w_pct": 14.0}),
    ("en", "metric", "N1 95.8%", "reading", "N1", {"compaction_pct": 95.8}),
    ("en", "us", "N2 watered 6950 gal 8:40 am", "watering", "N2", {"litres": 26308.612}),
    ("en", "us", "N2 watered 6,950", "watering", "N2", {"litres": 26308.612}),
    ("en", "metric", "N2 watered 9000", "watering", "N2", {"litres": 9000.0}),
    ("en", "metric", "N2 watered 9 m3", "watering", "N2", {"litres": 9000.0}),
    ("es", "metric", "N2 regado 31.800", "watering", "N2", {"litres": 31800.0}),
    ("pt", "metric", "N2 molhado 31.800 L", "watering", "N2", {"litres": 31800.0}),
    ("es", "us", "N2 regado 6,950 gal", "watering", "N2", {"litres": 26308.612}),
    ("fr", "metric", "S1 arrosé 31 800 L à 8 h 40", "watering", "S1", {"litres": 31800.0}),
    ("fr", "metric", "S1 arrosé 31\u202f800 L", "watering", "S1", {"litres": 31800.0}),
    ("en", "metric", "N1 rolled 6", "surface", "N1", {"passes": 6.0}),
    ("pt", "metric", "N1 compactado 6 passadas 10:30", "surface", "N1", {"passes": 6.0}),
    ("en", "metric", "N1 sealed", "surface", "N1", {}),
    ("es", "metric", "n1 rastreado ayer 16:00", "surface", "N1", {}),
    ("en", "metric", "N3 spread 0.25 m", "surface", "N3", {"thickness_m": 0.25}),
    ("en", "us", "N3 spread 10 in", "surface", "N3", {"thickness_m": 0.254}),
    ("en", "metric", "N1 accepted", "surface", "N1", {}),
    ("en", "metric", "N1 snow 8 cm", "ground", "N1", {"lying_m": 0.08}),
    ("es", "metric", "N1 charco 30 mm 7:10", "ground", "N1", {"lying_m": 0.03}),
    ("en", "us", "N1 pond 2 in", "ground", "N1", {"lying_m": 0.0508}),
    ("fr", "metric", "N1 déneigé", "ground", "N1", {}),
    ("pt", "metric", "N1 drenado", "ground", "N1", {}),
    ("en", "metric", "N1 slick", "ground", "N1", {}),
    ("fr", "metric", "N1 sol ferme", "ground", "N1", {}),
    ("en", "metric", "rain 4.5", "rain", "", {"rain_mm": 4.5}),
    ("en", "us", "rain .25 in", "rain", "", {"rain_mm": 6.35}),
    ("es", "metric", "lluvia 4,5 desde 18:00 ayer", "rain", "", {"rain_mm": 4.5}),
    ("en", "metric", "undo 17", "undo", "", {"number": 17.0}),
    ("es", "metric", "deshacer 17", "undo", "", {"number": 17.0}),
    ("fr", "metric", "stop", "stop", "", {}),
    ("pt", "metric", "Sim", "yes", "", {}),
    ("es", "metric", "Sí.", "yes", "", {}),
]
ASKED_BACK = [
    ("en", "metric", "N1 snow", "no_lying"),
    ("en", "metric", "N1 pond 30", "no_unit"),
    ("en", "metric", "N1 cleared 30 mm", "too_many_numbers"),
    ("en", "metric", "N1 snow 9 m", "out_of_range"),
    ("en", "us", "N2 watered 6.950 gal", "two_readings"),
    ("es", "metric", "N2 regado 31,800", "two_readings"),
    ("es", "metric", "N3 11.250", "two_readings"),
    ("fr", "metric", "S1 arrosé 6.950 L", "two_readings"),
    ("en", "metric", "N9 11.2", "no_strip"),
    ("en", "metric", "N3", "no_value"),
    ("en", "metric", "N3 wet", "word"),
    ("en", "metric", "N3 not watered 9000", "word"),
    ("en", "metric", "N3 11.2 11.8", "too_many_numbers"),
    ("en", "metric", "N3 11-12", "sign"),
    ("en", "metric", "N3 -11.2", "sign"),
    ("en", "metric", "N3 ~11.2", "sign"),
    ("en", "metric", "N3 1/2", "sign"),
    ("en", "metric", "N3 112", "out_of_range"),
    ("en", "metric", "N3 0.112", "out_of_range"),
    ("en", "metric", "N3 1740 kg/m3 95.8%", "two_things"),
    ("en", "metric", "N3 watered rolled 6", "two_things"),
    ("en", "metric", "N3 watered", "no_value"),
    ("en", "metric", "N3 watered 9000 10:30 11:30", "time"),
    ("en", "metric", "N3 watered 9000 25:30", "time"),
    ("en", "metric", "N3 watered 9000 yesterday", "time"),
    ("en", "metric", "N3 watered 9e3", "word"),
    ("en", "metric", "N3 watered 9k", "word"),
    ("en", "metric", "N3 watered 1.2.3", "no_number"),
    ("en", "metric", "N3 rolled 6.5", "whole_number"),
    ("en", "metric", "N3 spread 0.25", "no_unit"),
    ("en", "metric", "N3 spread 25 m", "out_of_range"),
    ("en", "metric", "N3 11.2 top", "no_depth"),
    ("en", "metric", "rain 4.5 since", "time"),
    ("en", "metric", "undo", "undo_number"),
    ("en", "metric", "undo 17 18", "undo_number"),
    ("en", "metric", "N3 " + "11.2 " * 60, "too_long"),
    ("en", "metric", "N3 ١١.٢", "sign"),
    ("en", "metric", "rain,5", "sign"),
]


@pytest.mark.parametrize(("language", "units", "line", "kind", "strip", "amounts"), UNDERSTOOD)
def test_a_line_is_understood(
    language: str, units: str, line: str, kind: str, strip: str, amounts: dict[str, float]
) -> None:
    said = read(line, STRIPS, reader(language, units), NOW_LOCAL)
    assert isinstance(said, ReplyLine), said
    assert (said.kind, said.strip_id) == (kind, strip)
    assert said.amounts == pytest.approx(amounts, abs=0.01)


@pytest.mark.parametrize(("language", "units", "line", "key"), ASKED_BACK)
def test_a_line_that_could_mean_two_things_is_asked_back(language: str, units: str, line: str, key: str) -> None:
    said = read(line, STRIPS, reader(language, units), NOW_LOCAL)
    assert isinstance(said, Unread), said
    assert said.key == key


def test_a_time_without_its_half_of_the_day_is_both_for_a_reader_of_twelve_hours() -> None:
    said = read("N1 rolled 8:40", STRIPS, reader("en", "us"), NOW_LOCAL)
    assert isinstance(said, ReplyLine)
    assert [at.hour for at in said.clocks] == [8, 20]
    said = read("N1 rolled 8:40", STRIPS, reader("es"), NOW_LOCAL)
    assert isinstance(said, ReplyLine)
    assert [at.hour for at in said.clocks] == [8]


def test_a_name_of_two_strips_is_asked_back() -> None:
    from dataclasses import replace

    twins = (STRIPS[0], replace(STRIPS[1], name=STRIPS[0].name))
    said = read("Ramp toe 11.2", twins, reader("en"), NOW_LOCAL)
    assert isinstance(said, Unread)
    assert said.key == "two_strips"


def test_a_word_means_the_same_in_each_language() -> None:
    found: dict[str, set[str]] = {}
    for table in tables().values():
        for meaning, words in table.items():
            for word in words if meaning not in ("courtesy", "phone") else ():
                found.setdefault(folded(word), set()).add(meaning)
    assert {word: what for word, what in found.items() if len(what) > 1} == {}
    assert {frozenset(table) for table in tables().values()} == {frozenset(tables()["en"])}


def test_each_printed_word_is_read_as_what_it_prints() -> None:
    for language in LANGUAGES:
        for meaning in tables()["en"]:
            if meaning not in ("courtesy", "phone", "filler"):
                assert meanings()[folded(printed(language, meaning))] == meaning


def test_each_reason_for_a_line_that_is_no_entry_has_its_sentence() -> None:
    used = set()
    for path in ROOM.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "NotReadError":
                choices = node.args[0].body if isinstance(node.args[0], ast.IfExp) else node.args[0]
                used.add(getattr(choices, "value", ""))
    assert used - {""} <= set(parts.FAULTS)


# --- nothing is ever understood as another value ------------------------------------------------------------------


@settings(max_examples=300, deadline=None)
@given(
    language=st.sampled_from(LANGUAGES),
    units=st.sampled_from(UNITS),
    value=st.integers(1, 400_000),
    decimals=st.integers(0, 3),
    act=st.sampled_from(["watered", "w", "rain"]),
)
@example(language="es", units="metric", value=31_800, decimals=0, act="watered")
def test_a_number_as_our_mails_print_it_is_read_as_that_or_asked_back(
    language: str, units: str, value: int, decimals: int, act: str
) -> None:
    says = speaker(language, units)
    shown = value / 10**decimals
    text = says.number(shown, decimals)
    words = {"watered": f"N2 {printed(language, 'watered')} {text}", "w": f"N2 {text}", "rain": f"rain {text}"}
    said = read(words[act], STRIPS, reader(language, units), NOW_LOCAL)
    if isinstance(said, Unread):
        return
    per_unit = {
        "watered": 1.0 if units == "metric" else 3.785411784,
        "w": 1.0,
        "rain": 1.0 if units == "metric" else 25.4,
    }
    (got,) = said.amounts.values()
    assert got == pytest.approx(shown * per_unit[act], rel=1e-9)


@settings(max_examples=300, deadline=None)
@given(language=st.sampled_from(LANGUAGES), value=st.integers(1, 400_000))
def test_whole_litres_as_our_mails_print_them_are_always_read(language: str, value: int) -> None:
    text = speaker(language, "metric").number(value, 0)
    said = read(f"N2 {printed(language, 'watered')} {text} L", STRIPS, reader(language), NOW_LOCAL)
    assert isinstance(said, ReplyLine), (text, said)
    assert said.amounts == {"litres": float(value)}


WRITTEN = st.sampled_from(
    ["N3 11.2", "N2 watered 9000", "N1 rolled 6", "N1 sealed", "rain 4.5", "undo 17", "N3 11.2 gauge 8:40"]
)


@settings(max_examples=400, deadline=None)
@example(line="N3 11.2", at=3, added="WATER")
@given(line=WRITTEN, at=st.integers(0, 60), added=st.text(min_size=1, max_size=8))
def test_a_line_with_anything_added_means_the_same_or_is_asked_back_or_has_other_digits(
    line: str, at: int, added: str
) -> None:
    changed = line[:at] + added + line[at:]
    before, after = (read(text, STRIPS, reader("en"), NOW_LOCAL) for text in (line, changed))
    if isinstance(after, Unread):
        return
    assert isinstance(before, ReplyLine)
    assert after.kind in {"reading", "watering", "surface", "rain", "undo"}
    # What was added holds a digit, a sign of a number, or a word that the grammar knows, also one that clings to a
    # number ("WATER11.2"); else nothing may change.
    touched = any(c.isdigit() or c in ".,:'%\"" for c in added) or any(
        folded(word) in meanings() or word.casefold() in "l m a p am pm gal in t"
        for word in re.findall(r"[^\W\d_]+", changed)
    )
    assert touched or (after.kind, after.strip_id, after.amounts) == (before.kind, before.strip_id, before.amounts)


@settings(max_examples=500, deadline=None)
@given(text=st.text(max_size=80), language=st.sampled_from(LANGUAGES))
def test_any_text_is_understood_or_asked_back_and_numbers_come_only_from_its_digits(text: str, language: str) -> None:
    said = read(text, STRIPS, reader(language), NOW_LOCAL)
    if isinstance(said, ReplyLine) and said.amounts:
        assert any(c in "0123456789" for c in text)


@settings(max_examples=400, deadline=None)
@given(
    parts_=st.lists(st.text("0123456789", min_size=1, max_size=4), min_size=1, max_size=3),
    sign=st.sampled_from([".", ",", " ", "\u202f", "'"]),
    language=st.sampled_from(LANGUAGES),
)
def test_a_number_has_at_most_two_readings_and_both_are_its_own_digits(
    parts_: list[str], sign: str, language: str
) -> None:
    text = sign.join(parts_)
    for value in numbers.readings(text, reader(language).marks):
        assert f"{value:.10f}".replace(".", "").strip("0") == "".join(parts_).strip("0") or value == 0.0


def test_acts_are_words_of_the_catalogue() -> None:
    assert set(ACTS) <= set(tables()["en"])
