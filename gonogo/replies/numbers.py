"""Numbers as people write them: decimal comma or point, thousands as a language prints them. Nothing is guessed."""

from __future__ import annotations

import re
from dataclasses import dataclass

SPACES = " \u00a0\u202f"
_SHAPE = re.compile(rf"[0-9]+(?:[.,'’{SPACES}][0-9]+)*")


@dataclass(frozen=True, slots=True)
class Marks:
    """The signs of a language: between whole and decimals, and between thousands."""

    decimal: str
    group: str


def readings(text: str, marks: Marks) -> tuple[float, ...]:
    """Return what a number can mean, the likeliest first: one value where it is certain, none where it is no number.

    A single sign before exactly three digits is thousands where the language prints them so, and else may be both.
    """
    if not text.isascii():
        text = "".join(" " if c in SPACES else "'" if c == "’" else c for c in text)
    text = f"0{text}" if text.startswith(".") else text
    if not text.isascii() or not _SHAPE.fullmatch(text):
        return ()
    signs = [c for c in text if not c.isdigit()]
    if not signs:
        return (float(text),)
    parts = re.split(r"[^0-9]", text)
    if len(set(signs)) == 1 and len(signs) == 1:
        return _one_sign(parts, signs[0], marks)
    return _many_signs(parts, signs)


def _one_sign(parts: list[str], sign: str, marks: Marks) -> tuple[float, ...]:
    as_decimal, as_whole = float(".".join(parts)), float("".join(parts))
    could_be_group = len(parts[1]) == 3 and 1 <= len(parts[0]) <= 3 and not parts[0].startswith("0")
    if sign in " '":
        return (as_whole,) if could_be_group else ()
    if not could_be_group:
        return (as_decimal,)
    group = " " if marks.group in SPACES else marks.group
    return (as_whole, as_decimal) if sign == group else (as_decimal, as_whole)


def _many_signs(parts: list[str], signs: list[str]) -> tuple[float, ...]:
    """Several signs: all but a last, different one stand between thousands."""
    has_decimals = signs[-1] != signs[0] and signs.count(signs[-1]) == 1 and signs[-1] in ".,"
    groups = parts[:-1] if has_decimals else parts
    group_signs = signs[:-1] if has_decimals else signs
    is_grouped = len(set(group_signs)) == 1 and all(len(p) == 3 for p in groups[1:]) and 1 <= len(groups[0]) <= 3
    if not is_grouped or groups[0].startswith("0"):
        return ()
    whole = "".join(groups)
    return (float(f"{whole}.{parts[-1]}"),) if has_decimals else (float(whole),)


def is_settled(found: tuple[float, ...], marks: Marks, text: str) -> bool:
    """Return whether the first reading is what the language itself would have printed so."""
    if len(found) < 2:
        return True
    group = " " if marks.group in SPACES else marks.group
    return group in text
