"""A line of an answer in pieces: numbers with their units, times, dates and words. Any other sign is kept."""

from __future__ import annotations

import re
from dataclasses import dataclass

from gonogo.replies.numbers import SPACES, Marks
from gonogo.wording.reply_words import folded, meanings

# unit as written, folded: (what it measures, SI units in one of it). A gallon is the US gallon, as in our mails.
UNITS: dict[str, tuple[str, float]] = {
    **dict.fromkeys(("%", "percent", "por ciento", "por cento", "pour cent"), ("pct", 1.0)),
    **dict.fromkeys(("l", "lt", "lts", "liter", "liters", "litre", "litres", "litro", "litros"), ("litres", 1.0)),
    **dict.fromkeys(("m3", "m³"), ("litres", 1000.0)),
    **dict.fromkeys(
        ("gal", "gals", "gallon", "gallons", "galon", "galones", "galao", "galoes"), ("litres", 3.785411784)
    ),
    "mm": ("length", 0.001),
    "cm": ("length", 0.01),
    **dict.fromkeys(("m", "metros", "metres", "meters"), ("length", 1.0)),
    **dict.fromkeys(
        ('"', "in", "inch", "inches", "pulg", "pulgada", "pulgadas", "pol", "polegada", "polegadas", "po", "pouce"),
        ("length", 0.0254),
    ),
    "pouces": ("length", 0.0254),
    **dict.fromkeys(("ft", "feet", "pies", "pieds"), ("length", 0.3048)),
    **dict.fromkeys(("kg/m3", "kg/m³"), ("density", 1.0)),
    **dict.fromkeys(("t/m3", "t/m³", "g/cm3", "g/cm³"), ("density", 1000.0)),
    **dict.fromkeys(("lb/ft3", "lb/ft³", "lbs/ft3", "pcf"), ("density", 16.018463)),
}
_UNIT_FORMS = "|".join(
    re.escape(u) + (r"(?![^\W_])" if u[-1].isalnum() else "") for u in sorted(UNITS, key=len, reverse=True)
)
_TIME = re.compile(
    r"(?P<hour>[0-9]{1,2})(?:\s?[:h]\s?(?P<minute>[0-9]{2})(?![0-9])\s?(?P<half>[ap]\.?\s?m\b\.?)?"
    r"|\s?(?P<half_alone>[ap]\.?\s?m\b\.?))"
)
_DATE = re.compile(r"(?P<year>[0-9]{4})-(?P<month>[0-9]{2})-(?P<day>[0-9]{2})(?![0-9])T?")
_UNIT = re.compile(rf"\s?(?P<unit>{_UNIT_FORMS})")
_WORD = re.compile(r"[^\W\d_]+(?:[-'][^\W\d_]+)*")
_IDLE = re.compile(r"[\s;:=]+|[.,](?![0-9])|[-–—](?=\s)")
_PLAIN_NUMBER = re.compile(r"(?:(?<=\s)\.)?[0-9]+(?:[.,'’\u00a0\u202f][0-9]+)*")
_SPACED_NUMBER = re.compile(rf"[1-9][0-9]{{0,2}}(?:[{SPACES}][0-9]{{3}})+(?![0-9])(?:,[0-9]+)?")
MOST_WORDS_IN_ONE = 3


@dataclass(frozen=True, slots=True)
class WrittenNumber:
    """A number as written, with what its unit measures and its size; "" and 1 where it stands bare."""

    text: str
    measures: str = ""
    per_unit: float = 1.0


@dataclass(frozen=True, slots=True)
class WrittenClock:
    """A time of day as written. half: "a", "p" or "" """

    hour: int
    minute: int
    half: str
    text: str


@dataclass(frozen=True, slots=True)
class Date:
    """A date as written."""

    year: int
    month: int
    day: int


@dataclass(frozen=True, slots=True)
class Word:
    """A word; meaning "" where no language knows it."""

    text: str
    meaning: str


@dataclass(frozen=True, slots=True)
class Stray:
    """A sign that no entry has."""

    text: str


Token = WrittenNumber | WrittenClock | Date | Word | Stray


def tokens(text: str, marks: Marks) -> list[Token]:
    """Return a text in pieces."""
    found: list[Token] = []
    at = 0
    while at < len(text):
        if idle := _IDLE.match(text, at):
            at = idle.end()
            continue
        token, at = _next(text, at, marks)
        found.append(token)
    return found


def _next(text: str, at: int, marks: Marks) -> tuple[Token, int]:
    if date := _DATE.match(text, at):
        return Date(int(date["year"]), int(date["month"]), int(date["day"])), date.end()
    folded_rest = text[at:].casefold()
    if clock := _TIME.match(folded_rest):
        half = (clock["half"] or clock["half_alone"] or "")[:1]
        whole = text[at : at + clock.end()].strip()
        return WrittenClock(int(clock["hour"]), int(clock["minute"] or 0), half, whole), at + clock.end()
    number = _SPACED_NUMBER.match(text, at) if marks.group in SPACES else None
    if number := number or _PLAIN_NUMBER.match(text, at):
        return _with_unit(text, number)
    if word := _WORD.match(text, at):
        return _longest_word(text, at, word.end())
    return Stray(text[at]), at + 1


def _with_unit(text: str, number: re.Match[str]) -> tuple[Token, int]:
    unit = _UNIT.match(text[number.end() :].casefold())
    # A letter that stands right behind ends no number: "6x", "1e3".
    if unit is None:
        return WrittenNumber(number[0]), number.end()
    measures, per_unit = UNITS[unit["unit"]]
    return WrittenNumber(number[0], measures, per_unit), number.end() + unit.end()


def _longest_word(text: str, at: int, end: int) -> tuple[Token, int]:
    """Return the longest run of words that has a meaning, else the word alone."""
    ends = [end]
    while len(ends) < MOST_WORDS_IN_ONE:
        further = re.compile(r"[ \t]+" + _WORD.pattern).match(text, ends[-1])
        if further is None:
            break
        ends.append(further.end())
    for stop in reversed(ends):
        if meaning := meanings().get(folded(text[at:stop]), ""):
            return Word(text[at:stop], meaning), stop
    return Word(text[at:end], ""), end
