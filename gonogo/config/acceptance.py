"""Warnings that somebody accepted in the file that they are about, each with the reason.

[accepted_warnings]
"W34 strip.N3.reading.w_pct" = "the hollow is that wet; it is drained first"
"""

from __future__ import annotations

import os
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from gonogo.config.toml_file import ConfigFile
from gonogo.config.warning_numbers import BY_FILE, WARNINGS, label
from gonogo.errors import Fault

TABLE = "accepted_warnings"
_KEY = re.compile(r"W(?P<number>\d{1,3})(?: (?P<key>\S+))?")
_EXAMPLE = '"W34 strip.N3.reading.w_pct" = "it is drained first"'


@dataclass(frozen=True, slots=True, kw_only=True)
class Acceptance:
    """One accepted warning: file and line where it stands, number, key ("" for every key), and why."""

    file: str
    line: str
    number: int
    key: str
    reason: str

    @property
    def name(self) -> str:
        return f"{label(self.number)} {self.key}".strip()

    def is_of(self, warning: Fault) -> bool:
        """Say whether a warning is this one: of the file itself, or of a list beside it."""
        place = warning.place.rpartition(":")
        file = place[0] if place[2].isdigit() else warning.place
        is_here = file == self.file or file.startswith(f"{self.file.removesuffix('.toml')}{os.sep}")
        return self.number == warning.number and is_here and self.key in ("", warning.key)


@dataclass(frozen=True, slots=True, kw_only=True)
class WarningsLeft:
    """Warnings that still stand, and those that somebody accepted with the reason."""

    standing: tuple[Fault, ...]
    accepted: tuple[tuple[Fault, Acceptance], ...]


def read_acceptances(file: ConfigFile) -> tuple[Acceptance, ...]:
    """Return what a file accepts; every impossible entry is a fault."""
    raw = file.raw.get(TABLE, {})
    if not isinstance(raw, dict):
        file.add_fault((TABLE,), "is not a table.", f"Write [{TABLE}] with {_EXAMPLE} below it.")
        return ()
    found = []
    for name, reason in raw.items():
        loc = (TABLE, name)
        matched = _KEY.fullmatch(name)
        if matched is None or int(matched["number"]) not in WARNINGS:
            file.add_fault(loc, "is no warning.", f"Write number and key as `gonogo check` prints them: {_EXAMPLE}.")
        elif int(matched["number"]) == 1:
            file.add_fault(loc, "cannot be accepted.", "Delete the entry that W01 is about.")
        elif not isinstance(reason, str) or not reason.strip() or not reason.isprintable() or len(reason) > 200:
            file.add_fault(loc, "gives no reason.", f"Write in a line of text why it is accepted: {_EXAMPLE}.")
        else:
            place = file.place(loc)
            found.append(
                Acceptance(
                    file=str(file.path),
                    line=place,
                    number=int(matched["number"]),
                    key=matched["key"] or "",
                    reason=reason,
                )
            )
    return tuple(found)


def judge(
    acceptances: Sequence[Acceptance], warnings: Sequence[Fault], *, looked_for: Collection[int] = BY_FILE
) -> WarningsLeft:
    """Return which warnings stand and which are accepted; an acceptance that no warning answers to is a warning.

    looked_for   numbers of the warnings that could come; nothing is said of the acceptance of another
    """
    accepted, standing, used = [], [], set()
    for warning in warnings:
        fitting = next((a for a in acceptances if a.is_of(warning)), None)
        if fitting is None:
            standing.append(warning)
            continue
        used |= {a for a in acceptances if a.is_of(warning)}
        accepted.append((warning, fitting))
    for idle in acceptances:
        if idle not in used and idle.number in looked_for:
            standing.append(
                Fault(
                    place=idle.line,
                    key=f"{TABLE}.{idle.name}",
                    value="",
                    wrong="accepts a warning that does not come.",
                    right="Delete the line.",
                    number=1,
                )
            )
    return WarningsLeft(standing=tuple(standing), accepted=tuple(accepted))
