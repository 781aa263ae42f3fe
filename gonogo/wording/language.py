"""A language with a unit system says phrases: whole sentences from its catalogue, numbers and dates by Babel."""

from __future__ import annotations

import functools
import math
import re
from dataclasses import dataclass, replace
from datetime import date, time
from pathlib import Path

import babel
import babel.dates
import babel.lists
import babel.numbers

from gonogo.wording.catalogue import WORDS, Sentence, Words, cases, flat, gap_names, languages, load, pieces
from gonogo.wording.phrases import Amount, Chance, Day, Duration, Gap, Listed, Moment, Names, Number, Phrase, Span

__all__ = ["Sentence", "Speaker", "Words", "cases", "flat", "gap_names", "languages", "load", "speaker"]

NO_BREAK = "\u00a0"  # keeps a number on one line with its unit


@dataclass(frozen=True, slots=True, kw_only=True)
class Speaker:
    """A language together with a unit system: turns phrases and typed gaps into text."""

    words: Words
    unit_system: str
    locale: babel.Locale

    def word(self, key: str, **gaps: Gap) -> str:
        """Return the sentence of a key with its gaps filled. Raises KeyError for a key or a gap that is missing."""
        n = gaps.get("n")
        count = n if isinstance(n, int) else n.value if isinstance(n, Number) else 0
        text = ""
        for literal, name, case in pieces(self._form(key, count)):
            # One full stop, where the gap before ends in one of its own ("desde las 7:00 a. m.").
            text += literal[1:] if literal.startswith(".") and text.endswith(".") else literal
            if name:
                text += self.say(gaps[name], case)
        return text

    def _form(self, key: str, count: float) -> str:
        """Return the sentence of a key in the plural form of a count."""
        sentence = self.words.sentences[key]
        return (
            sentence if isinstance(sentence, str) else sentence.get(self.locale.plural_form(count), sentence["other"])
        )

    def say(self, gap: Gap, case: str = "") -> str:
        """Return any gap as text.

        case   how the language puts a time or a day after a preposition: a key of [case] in its file, "" for plain
        """
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
            case Moment() | Span() | Day():
                return self._time(gap, case)
            case Names():
                items = [self.say(item) for item in gap.items]
                return babel.lists.format_list(items, locale=self.locale) if items else ""
            case Listed():
                return ", ".join(self.say(item) for item in gap.items)
            case Phrase():
                return self.word(gap.key, **gap.gaps)

    def _time(self, gap: Moment | Span | Day, case: str) -> str:
        """Return a moment, a window or a day as text."""
        if isinstance(gap, Moment):
            return self._moment(gap, case)
        if isinstance(gap, Span):
            return self._span(gap)
        date_text = _date(gap.day, gap.form, self.locale)
        return self.word(f"case.{case}_day", day=date_text) if case else date_text

    def _moment(self, moment: Moment, case: str) -> str:
        """Return a moment as a clock shows it; in a case, with the article that its hour takes."""
        clock = _clock_time(moment.at_local.hour, moment.at_local.minute, self.locale)
        if case:
            shown_hour = int(re.search(r"\d+", clock)[0])  # type: ignore[index]  # every clock shows one
            clock = self.word(f"case.{'at' if moment.is_other_day else case}", n=shown_hour, time=clock)
        if not moment.is_other_day:
            return clock
        day: Gap = Day(day=moment.at_local.date(), form="weekday" if moment.is_near else "short")
        return self.word("form.day_and_time", day=self.say(day, case), time=clock)

    def _span(self, span: Span) -> str:
        """Return a window; one that lies on another day as a whole names that day once."""
        start, end = span.start, span.end
        if span.is_brief:
            return self._brief_span(start, end)
        if not start.is_other_day or start.at_local.date() != end.at_local.date():
            return self.word("form.span", start=start, end=end)
        hours = Span(start=replace(start, is_other_day=False), end=replace(end, is_other_day=False))
        day = Day(day=start.at_local.date(), form="weekday" if start.is_near else "short")
        return self.word("form.day_and_span", day=day, span=hours)

    def _brief_span(self, start: Moment, end: Moment) -> str:
        """Return a window with a dash; what both ends have in common, day and half of the day, once."""
        first, last = self._moment(start, ""), self._moment(end, "")
        if start.at_local.date() == end.at_local.date():
            last = self._moment(replace(end, is_other_day=False), "")
            mark = re.search(r"[\s\u202f]\D+$", last)  # "AM", "p. m."
            if mark is not None and first.endswith(mark[0]):
                first = first.removesuffix(mark[0])
        return f"{first}\u2013{last}"

    def hour(self, moment: Moment) -> str:
        """Return the hour of a moment as the head of a bar: "7", "1" after noon in a language of twelve hours."""
        clock = _clock_time(moment.at_local.hour, moment.at_local.minute, self.locale)
        return str(int(re.search(r"\d+", clock)[0]))  # type: ignore[index]  # every clock shows one

    def number(self, value: float, decimals: int) -> str:
        """Return a number as the language writes it, without its unit."""
        if math.isnan(value):
            return self.word("form.unknown")
        return _decimal(value + 0.0, decimals, self.locale)  # zero has no sign

    def _amount(self, value: float, decimals: int, unit: str) -> str:
        number = self.number(value, decimals)
        if math.isnan(value):
            return number
        return number + (_percent_sign(self.locale) if unit == "%" else NO_BREAK + unit)

    def _chance(self, gap: Chance) -> str:
        pct = gap.pct
        if math.isnan(pct):
            return self.word("form.unknown")
        sign = _percent_sign(self.locale)
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


@functools.cache
def _percent_sign(locale: babel.Locale) -> str:
    """Return what the locale writes after a number of per cent."""
    pattern = str(locale.percent_formats[None].pattern)  # "#,##0%" or "#,##0 %", as the language has it
    return pattern[pattern.rindex("0") + 1 :]


@functools.lru_cache(maxsize=4096)
def _clock_time(hour: int, minute: int, locale: babel.Locale) -> str:
    """Return a time of day as the locale writes it."""
    return babel.dates.format_time(time(hour, minute), "short", locale=locale).replace(" ", NO_BREAK)


@functools.lru_cache(maxsize=1024)
def _date(day: date, form: str, locale: babel.Locale) -> str:
    """Return a date in one of the forms of phrases.Day."""
    if form in ("head", "weekday"):
        return babel.dates.format_date(day, "EEE d" if form == "head" else "EEE", locale=locale)
    if form == "long":
        return babel.dates.format_date(day, "full", locale=locale)
    return babel.dates.format_skeleton("MMMEd", day, locale=locale).replace(",", "").replace(" ", NO_BREAK)


def speaker(language: str, unit_system: str, folder: Path = WORDS) -> Speaker:
    """Return a speaker of a language in a unit system ("metric" or "us"). ConfigError for an unknown language."""
    words = load(language, folder)
    return Speaker(words=words, unit_system=unit_system, locale=_locale(words.locales[unit_system]))


@functools.cache  # one object a locale: numbers kept above are then found without comparing locales part by part
def _locale(name: str) -> babel.Locale:
    return babel.Locale.parse(name)
