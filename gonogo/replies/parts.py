"""The pieces of a line on their way to an entry: each is taken once, its number checked, and none may be left."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from gonogo.records.ranges import RANGES
from gonogo.replies import numbers
from gonogo.replies.numbers import Marks
from gonogo.replies.tokens import Date, Stray, Token, Word, WrittenClock, WrittenNumber

FoundT = TypeVar("FoundT")
RANGE_OF = {"pct": "w_pct", "litres": "litres", "density": "dry_density_kg_m3", "length": "lift_thickness_m"}
COMPACTION_PCT = (RANGES["w_pct"].high, RANGES["required_compaction_pct"].high)  # above any water content
DEPTH_M = (0.02, 0.6)
BARE = {"litres": ("litres", 1.0), "gal": ("litres", 3.785411784), "mm": ("rain", 0.001), "in": ("rain", 0.0254)}
# Why a line is no entry: the sentences reply_fault.<key>.
FAULTS = tuple(
    """
    clock_change future half_of_day impossible no_act no_basis no_depth no_lying no_method no_number no_strip no_time
    no_unit no_value no_water_content not_kept nothing_found nothing_waits order_alone out_of_range rain_since sign time
    too_long too_many_lines too_many_numbers two_readings two_strips two_things undo_number undo_unknown
    whole_number word
    """.split()
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reader:
    """How the writer of an answer writes: marks of numbers, units, and whether clocks there show twelve hours."""

    marks: Marks
    units: str
    has_twelve_hours: bool


class NotReadError(Exception):
    """Why a line is no entry."""

    def __init__(self, key: str, what: str = "") -> None:
        self.key, self.what = key, what
        super().__init__(key)


class Parts:
    """The pieces of a line without words that only join others ("at"); each is taken once, and none may be left."""

    def __init__(self, pieces: Sequence[Token]) -> None:
        for piece in pieces:
            if isinstance(piece, Stray):
                raise NotReadError("sign", piece.text)
            if isinstance(piece, Word) and not piece.meaning:
                raise NotReadError("word", piece.text)
        self._left = [p for p in pieces if not (isinstance(p, Word) and p.meaning == "filler")]

    def take_words(self, meanings: Iterable[str]) -> list[Word]:
        wanted = set(meanings)
        taken = [p for p in self._left if isinstance(p, Word) and p.meaning in wanted]
        self._left = [p for p in self._left if p not in taken]
        return taken

    def take_numbers(self, measures: str) -> list[WrittenNumber]:
        taken = [p for p in self._left if isinstance(p, WrittenNumber) and p.measures == measures]
        self._left = [p for p in self._left if not (isinstance(p, WrittenNumber) and p.measures == measures)]
        return taken

    def take_times(self) -> list[WrittenClock | Date]:
        taken = [p for p in self._left if isinstance(p, WrittenClock | Date)]
        self._left = [p for p in self._left if not isinstance(p, WrittenClock | Date)]
        return taken

    def take_number_after(self, meaning: str) -> WrittenNumber | None:
        """Take a word of a meaning with the number right behind it."""
        for at, piece in enumerate(self._left):
            if isinstance(piece, Word) and piece.meaning == meaning:
                number = self._left[at + 1] if at + 1 < len(self._left) else None
                if not isinstance(number, WrittenNumber):
                    raise NotReadError("no_depth", piece.text)
                del self._left[at : at + 2]
                return number
        return None

    def split_at(self, meaning: str) -> list[Token] | None:
        """Take everything from a word of a meaning on, without the word; None where it is not there."""
        for at, piece in enumerate(self._left):
            if isinstance(piece, Word) and piece.meaning == meaning:
                tail = self._left[at + 1 :]
                del self._left[at:]
                return tail
        return None

    def require_empty(self) -> None:
        if not self._left:
            return
        piece = self._left[0]
        if isinstance(piece, WrittenNumber):
            raise NotReadError("too_many_numbers", piece.text)
        if isinstance(piece, WrittenClock | Date):
            raise NotReadError("time", getattr(piece, "text", ""))
        raise NotReadError("word", piece.text)


def one_amount(parts: Parts, reader: Reader, measures: str, *, bare: str) -> float:
    """Return the one amount of a line, with its unit or in the reader's own."""
    with_unit, without = parts.take_numbers(measures), parts.take_numbers("")
    if len(with_unit) + len(without) > 1:
        raise NotReadError("too_many_numbers", (*with_unit, *without)[1].text)
    if with_unit:
        number = with_unit[0]
    elif without:
        number = WrittenNumber(without[0].text, measures, BARE[bare][1])
    else:
        raise NotReadError("no_value")
    return value_of(number, "rain" if measures == "length" else measures, reader)


def _limits(what: str) -> tuple[float, float]:
    if what == "share":
        return RANGES["w_pct"].low, COMPACTION_PCT[1]
    if what == "rain":
        return RANGES["rain_mm"].low / 1000.0, RANGES["rain_mm"].high / 1000.0
    if what == "depth":
        return DEPTH_M
    if what == "lying":
        return RANGES["lying_mm"].low / 1000.0, RANGES["lying_mm"].high / 1000.0
    row = RANGES["passes" if what == "passes" else RANGE_OF[what]]
    return row.low, row.high


def value_of(number: WrittenNumber, what: str, reader: Reader) -> float:
    """Return a number in SI. Raises NotReadError where it may mean two things, or is impossible."""
    found = numbers.readings(number.text, reader.marks)
    if not found:
        raise NotReadError("no_number", number.text)
    low, high = _limits(what)
    possible = [value * number.per_unit for value in found if low <= value * number.per_unit <= high]
    if not possible:
        raise NotReadError("out_of_range", number.text)
    if numbers.is_settled(found, reader.marks, number.text):
        if low <= found[0] * number.per_unit <= high:
            return found[0] * number.per_unit
        raise NotReadError("two_readings", number.text)
    # Two readings, and the language prints thousands otherwise: only the decimal one alone may stand.
    if len(possible) == 1 and possible[0] == found[0] * number.per_unit:
        return possible[0]
    raise NotReadError("two_readings", number.text)


def depth_m_of(number: WrittenNumber, reader: Reader) -> float:
    """Return a depth from the top; bare it is millimetres or inches, as the reader's mails show thickness."""
    if number.measures not in ("", "length"):
        raise NotReadError("no_depth", number.text)
    per_unit = number.per_unit if number.measures else (0.001 if reader.units == "metric" else 0.0254)
    return value_of(WrittenNumber(number.text, "length", per_unit), "depth", reader)


def at_most_one(found: Sequence[FoundT]) -> Sequence[FoundT]:
    if len(found) > 1:
        second = found[1][0] if isinstance(found[1], tuple) else found[1]
        raise NotReadError("too_many_numbers", getattr(second, "text", ""))
    return found
