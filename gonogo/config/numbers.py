"""Numbers as people write them into a cell or on the command line; what could mean two things is asked back."""

from __future__ import annotations

import re

from gonogo.records import ranges

NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)")
_GROUPS = re.compile(r"[1-9][0-9]{0,2}([.,' ][0-9]{3})+")


def refusal(key: str, raw: str, right: str) -> tuple[str, str] | None:
    """Return (wrong, right) of a text that is no plain number of this key, None where float() may read it."""
    return _ambiguous(key, raw) or (None if NUMBER.fullmatch(raw) else (_no_number(raw), right))


def _ambiguous(key: str, raw: str) -> tuple[str, str] | None:
    """Return (wrong, right) of digits in groups that could be thousands or decimals; nobody guesses which."""
    if not _GROUPS.fullmatch(raw):
        return None
    groups = re.split(r"[.,' ]", raw)
    whole = "".join(groups)
    readings = [whole] if len(groups) > 2 or raw.count(",") + raw.count(".") == 0 else [".".join(groups), whole]
    possible = [reading for reading in readings if ranges.refusal(key, float(reading)) is None]
    if NUMBER.fullmatch(raw) and whole not in possible:
        return None  # a decimal point, and nothing else that it could be
    written = " or ".join(f"{key} = {float(reading):.15g}" for reading in possible or readings)
    return "could be read with thousands or with decimals.", f"Write {written}."


def _no_number(raw: str) -> str:
    return "not a number: write a point for decimals." if re.fullmatch(r"[0-9]+,[0-9]+", raw) else "not a number."
