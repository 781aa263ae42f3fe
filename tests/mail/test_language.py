"""A language is one file; its numbers, dates and plurals follow its own customs."""

from __future__ import annotations

import math
from datetime import date
from pathlib import Path

import mail_scene as scene
import pytest

from gonogo.errors import ConfigError
from gonogo.wording import language, phrases
from gonogo.wording.language import Speaker, speaker
from gonogo.wording.phrases import Chance, Day, Duration, Names, Number, Span, phrase

METRIC, US = speaker("en", "metric"), speaker("en", "us")

SPANISH = """
[language]
name = "Español"
metric = "es_ES"
us = "es_US"

[form]
unknown = "desconocido"
under = "menos de {number}"
day_and_time = "{day} {time}"

[text]
passes = { one = "{n} pasada", many = "{n} de pasadas", other = "{n} pasadas" }
"""


@pytest.fixture
def spanish(tmp_path: Path) -> Speaker:
    (tmp_path / "es.toml").write_text(SPANISH, encoding="utf-8")
    return speaker("es", "metric", tmp_path)


def test_a_new_language_is_one_file(spanish: Speaker) -> None:
    assert spanish.say(phrases.amount("w_pct", 11.24)) == "11,2\u00a0%"
    assert spanish.say(phrases.amount("litres", 18432.0)) == "18.400\u00a0L"
    assert spanish.say(Day(day=date(2026, 6, 17))) == "mié\u00a017\u00a0jun"
    assert spanish.say(Names(items=("N1", "N2", "N3"))) == "N1, N2 y N3"


ARTICLES = """
[case]
after = { one = "la {time}", other = "las {time}" }
after_day = "el {day}"
at = { one = "a la {time}", other = "a las {time}" }
at_day = "el {day}"

[t]
from = "Desde {start:after}."
"""


def test_a_time_carries_the_article_of_its_hour_and_a_sentence_ends_in_one_full_stop(tmp_path: Path) -> None:
    (tmp_path / "es.toml").write_text(SPANISH + ARTICLES, encoding="utf-8")
    metric, us = speaker("es", "metric", tmp_path), speaker("es", "us", tmp_path)
    one_oclock, five, tomorrow = (
        phrases.moment(scene.at(hour, day), scene.ZONE, scene.DAY)
        for hour, day in ((1, scene.DAY), (17, scene.DAY), (6, date(2026, 6, 18)))
    )
    assert metric.word("t.from", start=five) == "Desde las 17:00."
    assert metric.word("t.from", start=one_oclock) == "Desde la 1:00."
    assert us.word("t.from", start=five).replace("\u202f", " ") == "Desde las 5:00 p.m."
    assert metric.word("t.from", start=tomorrow).replace("\u00a0", " ") == "Desde el jue 18 jun a las 6:00."
    assert metric.word("t.from", start=phrase("form.unknown")) == "Desde desconocido."


def test_plural_forms_are_the_languages_own(spanish: Speaker) -> None:
    assert spanish.word("text.passes", n=1) == "1 pasada"
    assert spanish.word("text.passes", n=2) == "2 pasadas"
    assert spanish.word("text.passes", n=1_000_000) == "1.000.000 de pasadas"
    assert METRIC.word("headline.strips", n=1) == "1 strip"
    assert METRIC.word("headline.strips", n=Number(value=0)) == "0 strips"


def test_each_unit_system_has_its_own_customs() -> None:
    moment = phrases.moment(scene.at(14.5), scene.ZONE, scene.DAY)
    assert METRIC.say(moment) == "14:30"
    assert US.say(moment).replace("\u202f", " ") == "2:30 PM"
    assert US.say(phrases.amount("litres", 18432.0)) == "4,850\u00a0gal"


def test_another_day_is_named_once_in_a_span() -> None:
    tomorrow = date(2026, 6, 18)
    start, end = (phrases.moment(scene.at(h, tomorrow), scene.ZONE, scene.DAY) for h in (6, 11))
    assert METRIC.say(Span(start=start, end=end)) == "Thu\u00a018\u00a0Jun 06:00 to 11:00"


@pytest.mark.parametrize(
    ("pct", "text"), [(0.0, "under 1%"), (1.0, "1%"), (99.0, "99%"), (100.0, "over 99%"), (math.nan, "unknown")]
)
def test_a_model_is_never_wholly_sure(pct: float, text: str) -> None:
    assert METRIC.say(Chance(pct=pct)) == text


@pytest.mark.parametrize(
    ("minutes", "text"),
    [
        (50, "50 min"),
        (60, "1 h"),
        (160, "2 h 40 min"),
        (72 * 60, "3 days"),
        (math.inf, "unknown"),
        (math.nan, "unknown"),
    ],
)
def test_lengths_of_time_read_as_people_say_them(minutes: float, text: str) -> None:
    assert METRIC.say(Duration(minutes=minutes)) == text


def test_unknown_numbers_are_said_to_be_unknown() -> None:
    assert METRIC.say(phrases.amount("w_pct", math.nan)) == "unknown"


def test_a_missing_gap_or_key_is_an_error_not_a_hole() -> None:
    with pytest.raises(KeyError):
        METRIC.word("headline.rain")
    with pytest.raises(KeyError):
        METRIC.say(phrase("headline.nosuch"))


def test_a_gap_is_never_read_twice() -> None:
    assert METRIC.word("moved.off", strip="{n}") == "{n} off"


@pytest.mark.parametrize(
    ("sentence", "wrong"),
    [
        ('x = "{a.b}"', "plain name"),
        ('x = "{a!r}"', "plain name"),
        ('x = "{a:>10}"', "plain name"),
        ('x = "{}"', "plain name"),
        ('x = "{a"', "expected"),
        ('x = ""', "a sentence is text"),
        ("x = 3", "a sentence is text"),
        ('x = { one = "{n} strip" }', "'other' is missing"),
    ],
)
def test_a_sentence_that_cannot_be_filled_is_refused(tmp_path: Path, sentence: str, wrong: str) -> None:
    text = f'[language]\nname = "Test"\nmetric = "en"\nus = "en"\n[t]\n{sentence}\n'
    (tmp_path / "xx.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match=wrong) as refused:
        language.load("xx", tmp_path)
    assert "t.x" in str(refused.value)
    (tmp_path / "yy.toml").write_text(text.replace(sentence, 'x = "{a}"'), encoding="utf-8")
    assert language.load("yy", tmp_path).sentences == {"t.x": "{a}"}


@pytest.mark.parametrize("text", ["x = [", "[t]\nx = 'y'", "[language]\nname = 'only'"])
def test_a_file_that_is_no_catalogue_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "xx.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match=r"xx\.toml"):
        language.load("xx", tmp_path)


def test_an_unknown_language_is_refused_with_those_there_are() -> None:
    with pytest.raises(ConfigError, match=r"Use one of: .*en"):
        speaker("klingon", "metric")
