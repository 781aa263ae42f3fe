"""The sentences of a language: words/<language>.toml, its gaps, its plural forms and its cases."""

from __future__ import annotations

import functools
import string
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from gonogo.errors import ConfigError, Fault

WORDS = Path(__file__).parent / "words"
PLURAL_FORMS = frozenset(("zero", "one", "two", "few", "many", "other"))

Sentence = str | Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """The catalogue of one language. sentences: dotted key -> sentence, or plural form -> sentence."""

    language: str
    name: str
    locales: Mapping[str, str]  # unit system -> locale, e.g. {"metric": "en_GB", "us": "en_US"}
    sentences: Mapping[str, Sentence]


def languages(folder: Path = WORDS) -> tuple[str, ...]:
    """Return the languages there are: one file each."""
    return tuple(sorted(p.stem for p in folder.glob("*.toml")))


@functools.lru_cache(maxsize=4096)
def pieces(form: str) -> tuple[tuple[str, str, str], ...]:
    """Return a sentence as (literal text, name of the gap after it, case of that gap); "" where there is none.

    Raises ValueError where a gap is more than a plain name, or a name with a case ("{start:from}").
    """
    found = []
    for literal, name, case, conversion in string.Formatter().parse(form):
        is_plain = name is None or (name.isidentifier() and (not case or case.isidentifier()) and not conversion)
        if not is_plain:
            raise ValueError(f"gap {{{name}}} must be a plain name, or a name and a case as in {{start:from}}")
        found.append((literal, name or "", case or ""))
    return tuple(found)


def gap_names(sentence: Sentence) -> frozenset[str]:
    """Return the names of a sentence's gaps. Raises ValueError where a gap is more than a name with a case."""
    return frozenset(name for form in _forms(sentence) for _, name, _ in pieces(form) if name)


def cases(sentence: Sentence) -> frozenset[str]:
    """Return the cases that a sentence asks for: how a time or a day stands after a preposition of the language."""
    return frozenset(case for form in _forms(sentence) for _, _, case in pieces(form) if case)


def _forms(sentence: Sentence) -> tuple[str, ...]:
    return (sentence,) if isinstance(sentence, str) else tuple(sentence.values())


def flat(table: Mapping[str, object], place: str, prefix: str = "") -> dict[str, Sentence]:
    """Return nested tables as dotted keys. Raises ConfigError for anything that is no sentence."""
    found: dict[str, Sentence] = {}
    for key, value in table.items():
        dotted = f"{prefix}{key}"
        if isinstance(value, Mapping) and value and set(value) <= PLURAL_FORMS:
            sentence: Sentence = {str(k): str(v) for k, v in value.items()}
        elif isinstance(value, Mapping):
            found |= flat(value, place, f"{dotted}.")
            continue
        else:
            sentence = value if isinstance(value, str) else ""
        wrong = ""
        if not sentence:
            wrong = "a sentence is text, or a table of plural forms."
        elif not isinstance(sentence, str) and "other" not in sentence:
            wrong = "the plural form 'other' is missing."
        else:
            try:
                gap_names(sentence)
            except ValueError as fault:
                wrong = f"{fault}."
        if wrong:
            raise ConfigError(
                [
                    Fault(
                        place=place,
                        key=dotted,
                        value=repr(value),
                        wrong=wrong,
                        right='Write key = "From {start}." or key = { one = "{n} pass", other = "{n} passes" }.',
                    )
                ]
            )
        found[dotted] = sentence
    return found


@functools.cache
def load(language: str, folder: Path = WORDS) -> Words:
    """Return the catalogue of a language. Raises ConfigError when there is none or it cannot be read."""
    path = folder / f"{language}.toml"
    if language not in languages(folder):
        known = ", ".join(languages(folder))
        raise ConfigError(
            [
                Fault(
                    place="recipient",
                    key="language",
                    value=repr(language),
                    wrong="there is no such language.",
                    right=f"Use one of: {known}; or add wording/words/{language}.toml.",
                )
            ]
        )
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
        head = table.pop("language")
        return Words(
            language=language,
            name=head["name"],
            locales={"metric": head["metric"], "us": head["us"]},
            sentences=flat(table, path.name),
        )
    except (tomllib.TOMLDecodeError, KeyError, AttributeError, TypeError) as fault:
        raise ConfigError(
            [
                Fault(
                    place=path.name,
                    key="language",
                    value="",
                    wrong=f"the file cannot be read: {fault}.",
                    right='It begins with [language], name = "...", metric = "en_GB", us = "en_US".',
                )
            ]
        ) from fault
