"""Every language says everything: the same keys and gaps as English, and a sentence for each key that decisions use."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

import babel
import pytest

import gonogo
from gonogo.book.month import CAUSE_KEYS
from gonogo.config import usual
from gonogo.decide.keys import ADVICE, LIMITS, REASONS, TESTS, WATER_WARNINGS, Key
from gonogo.decide.order.today import TESTABLE, TESTABLE_IF_LIKELY
from gonogo.decide.order_keys import CAUSES, CHANGES, PLAN_FLAGS, UNPLANNED
from gonogo.decide.plan_keys import NO_PLACE, SEAL_CAUSES, SHORT, SPREAD_STOPS, TEST_CAUSES
from gonogo.mail import behind, letter, render, rows, view
from gonogo.moisture.lift_history import SURFACE_AFTER
from gonogo.page import view as page_view
from gonogo.records.day_plan import Badge, Half, Task
from gonogo.records.verdict import Verdict
from gonogo.records.work_order import Work
from gonogo.replies import parts
from gonogo.service.site_state import UNSENT
from gonogo.soil.ground import SCORE_NAMES
from gonogo.soil.readings import METHOD_ERROR_PCT
from gonogo.store.outcomes import STATES
from gonogo.weather.notes import NOTES
from gonogo.weather.table import COLUMNS
from gonogo.wording import language, phrases, sentences

LANGUAGES = language.languages()
VOCABULARY = {"reason": REASONS, "advice": ADVICE, "test": TESTS, "water_warning": WATER_WARNINGS, "limit": LIMITS}
PLANNING = {"plan_flag": PLAN_FLAGS, "unplanned": UNPLANNED, "changed": CHANGES, "cause": CAUSES}
VOCABULARY |= PLANNING
VOCABULARY |= {"short": SHORT, "no_place": NO_PLACE, "seal_cause": SEAL_CAUSES, "spread_stop": SPREAD_STOPS}
UNRECORDED = (Task.WATER, Task.DISK, Task.ROLL)  # work that a plan may have told and nobody recorded
MACHINE_WORK = (Work.ROLLING, Work.WATERING)
WORDS_OF_VERDICT = ("before", "after")  # gaps that hold no number
KEYS = [(table, key) for table, keys in VOCABULARY.items() for key in keys]
PACKAGE = Path(gonogo.__file__).parent
ROOMS = [PACKAGE / room for room in ("wording", "mail", "page", "book", "cli", "replies", "inbox", "service")]


def test_four_languages_are_there() -> None:
    assert {"en", "es", "fr", "pt"} <= set(LANGUAGES)


def test_a_notice_without_catalogue_says_what_the_catalogue_says() -> None:
    english = language.load("en").sentences
    assert {key: english[key] for key in letter.ENGLISH_NOTICE} == letter.ENGLISH_NOTICE
    assert {k for k in english if k.startswith("notice.")} <= set(letter.ENGLISH_NOTICE)


@pytest.mark.parametrize("code", [c for c in LANGUAGES if c != "en"])
def test_no_sentence_was_left_in_english(code: str) -> None:
    english, other = language.load("en").sentences, language.load(code).sentences
    same = {
        k for k in english if english[k] == other[k] and re.search(r"[a-z]{4}", re.sub(r"{\w+}", "", str(other[k])))
    }
    assert same == set()


def test_every_language_has_the_keys_and_gaps_of_english() -> None:
    english = language.load("en").sentences
    for code in LANGUAGES:
        other = language.load(code).sentences
        cases = {key for key in other if key.startswith("case.")}
        assert sorted(set(english) - set(other)) == [], f"{code} lacks these"
        assert sorted(set(other) - set(english) - cases) == [], f"{code} has these for nothing"
        # A moment of another day is told with its hour in the case "at".
        asked = set().union(*(language.cases(sentence) for sentence in other.values()))
        needed = {f"case.{case}{day}" for case in asked | ({"at"} if asked else set()) for day in ("", "_day")}
        assert cases == needed, f"{code}: the cases that its sentences ask for"
        gaps = {k: (language.gap_names(english[k]), language.gap_names(other[k])) for k in english}
        assert {k: g for k, g in gaps.items() if g[0] != g[1]} == {}, code


@pytest.mark.parametrize("code", LANGUAGES)
def test_a_plural_has_all_forms_of_the_language_and_the_same_gaps_in_each(code: str) -> None:
    words = language.load(code)
    for locale in words.locales.values():
        forms = set(babel.Locale.parse(locale).plural_form.tags) | {"other"}
        for key, sentence in words.sentences.items():
            if isinstance(sentence, str):
                continue
            # "many" in English-like languages counts only in millions; there "other" may stand in.
            assert set(sentence) <= forms, f"{key}: forms that {locale} does not have"
            assert forms - {"many", "few", "two", "zero"} <= set(sentence), f"{key}: forms that {locale} needs"
            gaps = {form: language.gap_names(text) | {"n"} for form, text in sentence.items()}
            assert len(set(gaps.values())) == 1, f"{key}: {gaps}"


@pytest.mark.parametrize("code", LANGUAGES)
@pytest.mark.parametrize(("table", "key"), KEYS)
def test_each_key_of_a_decision_has_a_sentence_with_only_its_gaps(code: str, table: str, key: str) -> None:
    sentence = language.load(code).sentences[f"{table}.{key}"]
    assert language.gap_names(sentence) <= set(VOCABULARY[table][key].gaps)


@pytest.mark.parametrize("table", list(VOCABULARY))
def test_the_catalogue_has_no_sentence_for_a_key_that_no_decision_uses(table: str) -> None:
    in_words = {k.partition(".")[2] for k in language.load("en").sentences if k.startswith(f"{table}.")}
    assert in_words - set(VOCABULARY[table]) == set()


def test_the_mail_and_this_test_know_the_same_vocabulary() -> None:
    assert sentences.VOCABULARY == VOCABULARY
    assert {"not_knowable", "no_forecast", "forecast_too_old"} == sentences.NO_VERDICT <= set(REASONS)


@pytest.mark.parametrize(("table", "key"), KEYS)
def test_each_gap_of_a_key_can_be_shown(table: str, key: str) -> None:
    entry: Key = VOCABULARY[table][key]
    for name in entry.gaps:
        if not name.endswith("_utc") and name not in WORDS_OF_VERDICT:
            assert phrases.gap(name, 1.0) is not None  # KeyError: a name whose unit nobody could show


def test_each_key_that_a_template_or_the_view_names_is_in_the_catalogue_and_none_is_idle() -> None:
    sentences = set(language.load("en").sentences)
    source = "\n".join(
        p.read_text(encoding="utf-8") for room in ROOMS for p in room.rglob("*") if p.suffix in (".py", ".html", ".txt")
    )
    tables = {key.partition(".")[0] for key in sentences}
    quoted = set(re.findall(r'"([a-z_]+\.[a-z0-9_]+)"', source))
    named = {q for q in quoted if q.partition(".")[0] in tables and not q.endswith((".txt", ".html", ".json", "_"))}
    assert named - sentences == set(), "named but not in the catalogue"
    made = {f"verdict.{v}" for v in Verdict} | {f"badge.{b}" for b in Badge}
    made |= {f"tally.{b}" for b in Badge if b != Badge.DONE} | {f"half.{h}" for h in Half}
    made |= {f"{table}.{task}" for table in ("box", "asked") for task in UNRECORDED}
    made |= {f"row.told_{task}" for task in UNRECORDED} | {f"changed_head.if_{t}" for t in (Task.WATER, Task.ROLL)}
    made |= {f"method.{m.replace(' ', '_')}" for m in rows.METHODS} | {f"field.{f}" for f in behind.FIELDS}
    made |= {f"card.label_{label}" for label in ("fill", "bar", "speed", "runs", "check", "then")}
    made |= {f"caution.{c}" for c in {*view.CAUTIONS, *page_view.CAUTIONS}}
    made |= {f"field.{name}" for name in (*usual.ROLLERS["smooth"], *usual.TRUCK, *usual.OF_TANK)}
    made |= {f"unsure.{key}" for key in ("no_reading", "old_reading", "wide_band")}
    made |= {f"{table}.{key}" for table, key in KEYS}
    made |= {
        f"{table}.{work}{lift}" for table in ("order", "calendar") for work in MACHINE_WORK for lift in ("", "_lift")
    }
    made |= {"order.sealing", "form.day_and_span"}
    made |= {f"reply_fault.{key}" for key in (*parts.FAULTS, "line")}
    made |= {f"reply.why_{key}" for key in ("double", "twice", "contradicts", "far", "gone", "rain")}
    made |= {f"note.{key}" for key in NOTES} | {f"column.{name}" for name in COLUMNS}
    made |= {f"page.legend_{name}" for name in ("window", "reading")}
    made |= {f"book.lost_{key}" for key in CAUSE_KEYS.values()} | {f"book.work_{work}" for work in SURFACE_AFTER}
    made |= {f"book.method_{method.replace(' ', '_')}" for method in METHOD_ERROR_PCT}
    made |= {f"whatif.{key}" for key in ("verdict", "hours", "moisture", "chance", "water", "next", "same_members")}
    made |= {f"learned.{name}" for names in SCORE_NAMES.values() for name in names}
    made |= {f"weather.{name}" for name in ("source", "notes", "faults", "fallen", "hour", "day", "temp", "humidity")}
    made |= {f"weather.{name}" for name in ("wind", "sun", "rain", "chance", "likely", "evaporation")}
    made |= {f"status.{name}" for name in (*STATES, "leased", *(f"is_{state}" for state in UNSENT))}
    made |= {
        f"status.{name}" for name in ("last_run", "failed", "note", "missed", "mails", "next_run", "service", "inbox")
    }
    made |= {f"status.{name}" for name in ("rechecked", "next_recheck", "waits", "sends", "model_run")}
    made |= {f"pause.{kind}{named}" for kind in ("off", "long", "stop", "stop_open") for named in ("", "_named")}
    made |= {"pause.end", "status.site"}
    assert made - sentences == set(), "made by the view but not in the catalogue"
    assert sentences - named - made == set(), "in the catalogue but never used"


def test_each_method_of_a_test_has_a_name_and_each_cause_of_a_test_is_a_known_one() -> None:
    assert set(rows.METHODS) == set(METHOD_ERROR_PCT)
    assert TESTABLE | TESTABLE_IF_LIKELY | sentences.NO_VERDICT | {"after_watering", "new_lift"} <= set(TEST_CAUSES)
    assert set(SHORT) <= {*REASONS, *TEST_CAUSES}
    assert set(UNPLANNED) <= set(NO_PLACE)


@pytest.mark.parametrize("code", LANGUAGES)
@pytest.mark.parametrize("key", list(NOTES))
def test_each_note_on_a_forecast_has_a_sentence_with_only_its_gaps(code: str, key: str) -> None:
    assert language.gap_names(language.load(code).sentences[f"note.{key}"]) <= set(NOTES[key])


@pytest.mark.parametrize("role", render.roles())
def test_a_role_has_its_own_words_in_every_language_with_the_same_keys_and_gaps(role: str) -> None:
    assert missing_words(render.load_role(role).words) == []


def missing_words(words: Mapping[str, Mapping[str, language.Sentence]]) -> list[str]:
    """Return what the own words of a role lack, by language and key."""
    english = words.get("en", {})
    keys = set().union(*(set(own) for own in words.values()))
    found = [f"{code}: {key}" for code in LANGUAGES for key in sorted(keys) if key not in words.get(code, {})]
    for code, own in words.items():
        found += [
            f"{code}: gaps of {key}"
            for key in sorted(set(own) & set(english))
            if language.gap_names(own[key]) != language.gap_names(english[key])
        ]
    return found


def test_a_role_without_a_language_or_with_another_gap_is_found_out() -> None:
    whole = {code: {"own.line": f"{code} {{n}}"} for code in LANGUAGES}
    assert missing_words(whole) == []
    assert missing_words({c: w for c, w in whole.items() if c != "fr"}) == ["fr: own.line"]
    assert missing_words(whole | {"es": {"own.line": "x {m}"}}) == ["es: gaps of own.line"]
