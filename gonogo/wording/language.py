"""Words and numbers of one language: whole sentences from words/<language>.toml, numbers and dates by Babel."""

from __future__ import annotations

import functools
import math
import string
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, time
from pathlib import Path

import babel
import babel.dates
import babel.lists
import babel.numbers

from gonogo.errors import ConfigError, Fault
from gonogo.wording.phrases import Amount, Chance, Day, Duration, Gap, Moment, Names, Number, Phrase, Span

WORDS = Path(__file__).parent / "words"
PLURAL_FORMS = frozenset(("zero", "one", "two", "few", "many", "other"))
NO_BREAK = "\u00a0"  # keeps a number on one line with its unit

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


def gap_names(sentence: Sentence) -> frozenset[str]:
    """Return the names of a sentence's gaps. Raises ValueError where a gap is more than a plain name."""
    forms = (sentence,) if isinstance(sentence, str) else tuple(sentence.values())
    names: set[str] = set()
    for form in forms:
        for _, name, spec, conversion in string.Formatter().parse(form):
            if name is None:
                continue
            if not name.isidentifier() or spec or conversion:
                raise ValueError(f"gap {{{name}}} must be a plain name")
            names.add(name)
    return frozenset(names)


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Speaker:
    """A language together with a unit system: turns phrases and typed gaps into text."""

    words: Words
    unit_system: str
    locale: babel.Locale

    def word(self, key: str, **gaps: Gap) -> str:
        """Return the sentence of a key with its gaps filled. Raises KeyError for a key or a gap that is missing."""
        sentence = self.words.sentences[key]
        if not isinstance(sentence, str):
            n = gaps["n"]
            count = n if isinstance(n, int) else n.value if isinstance(n, Number) else 0
            sentence = sentence.get(self.locale.plural_form(count), sentence["other"])
        return sentence.format_map(_Said(self, gaps))

    def say(self, gap: Gap) -> str:
        """Return any gap as text."""
        match gap:
            case str():
                return gap
            case int():
                return self.number(gap, 0)
            case Number():
                return self.number(gap.value, gap.decimals)
            case Amount():
                return self._amount(*gap.shown(self.unit_system))
            case Chance():
                return self._chance(gap)
            case Duration():
                return self._duration(gap.minutes)
            case Moment():
                clock = _clock_time(gap.at_local.hour, gap.at_local.minute, self.locale)
                if not gap.is_other_day:
                    return clock
                return self.word("form.day_and_time", day=Day(day=gap.at_local.date()), time=clock)
            case Span():
                return self.word("form.span", start=gap.start, end=self._span_end(gap))
            case Day():
                return _date(gap.day, gap.form, self.locale)
            case Names():
                items = [self.say(item) for item in gap.items]
                return babel.lists.format_list(items, locale=self.locale) if items else ""
            case Phrase():
                return self.word(gap.key, **gap.gaps)

    def _span_end(self, span: Span) -> Moment:
        same = span.start.at_local.date() == span.end.at_local.date()
        return Moment(at_local=span.end.at_local, is_other_day=span.end.is_other_day and not same)

    def number(self, value: float, decimals: int) -> str:
        """Return a number as the language writes it, without its unit."""
        if math.isnan(value):
            return self.word("form.unknown")
        return _decimal(value + 0.0, decimals, self.locale)  # nought has no sign

    def _percent_sign(self) -> str:
        pattern = str(self.locale.percent_formats[None].pattern)  # "#,##0%" or "#,##0 %", as the language has it
        return pattern[pattern.rindex("0") + 1 :]

    def _amount(self, value: float, decimals: int, unit: str) -> str:
        number = self.number(value, decimals)
        if math.isnan(value):
            return number
        return number + (self._percent_sign() if unit == "%" else NO_BREAK + unit)

    def _chance(self, gap: Chance) -> str:
        pct = gap.pct
        if math.isnan(pct):
            return self.word("form.unknown")
        sign = self._percent_sign()
        if pct < 1 or pct > 99:
            key = (
                ("form.less" if pct < 1 else "form.more") if gap.is_brief else "form.under" if pct < 1 else "form.over"
            )
            return self.word(key, number=self.number(1 if pct < 1 else 99, 0) + sign)
        return self.number(pct, 0) + sign

    def _duration(self, minutes: float) -> str:
        if not math.isfinite(minutes):
            return self.word("form.unknown")
        whole = round(minutes)
        if whole >= 48 * 60:
            return self.word("form.days", n=round(whole / 1440))
        if whole < 60:
            return self.word("form.minutes", n=whole)
        if whole % 60 == 0:
            return self.word("form.hours", n=whole // 60)
        return self.word("form.hours_minutes", n=whole // 60, minutes=whole % 60)


# The crews of a morning share its hours, days and many of its numbers, and the library takes most of a mail's time.


@functools.lru_cache(maxsize=16_384)
def _decimal(value: float, decimals: int, locale: babel.Locale) -> str:
    """Return a number as the locale writes it."""
    pattern = "#,##0" + ("." + "0" * decimals if decimals else "")
    return babel.numbers.format_decimal(value, pattern, locale=locale)


@functools.lru_cache(maxsize=4096)
def _clock_time(hour: int, minute: int, locale: babel.Locale) -> str:
    """Return a time of day as the locale writes it."""
    return babel.dates.format_time(time(hour, minute), "short", locale=locale)


@functools.lru_cache(maxsize=1024)
def _date(day: date, form: str, locale: babel.Locale) -> str:
    """Return a date in one of the forms of phrases.Day."""
    if form == "head":
        return babel.dates.format_skeleton("Ed", day, locale=locale).replace(",", "")
    if form == "long":
        return babel.dates.format_date(day, "full", locale=locale)
    return babel.dates.format_skeleton("MMMEd", day, locale=locale).replace(",", "").replace(" ", NO_BREAK)


class _Said(dict[str, str]):
    """The gaps of one sentence, each said only when the sentence asks for it: a decision offers many more."""

    def __init__(self, speak: Speaker, gaps: Mapping[str, Gap]) -> None:
        self._speak, self._gaps = speak, gaps

    def __missing__(self, name: str) -> str:
        return self._speak.say(self._gaps[name])


def speaker(language: str, unit_system: str, folder: Path = WORDS) -> Speaker:
    """Return a speaker of a language in a unit system ("metric" or "us"). ConfigError for an unknown language."""
    words = load(language, folder)
    return Speaker(words=words, unit_system=unit_system, locale=babel.Locale.parse(words.locales[unit_system]))
