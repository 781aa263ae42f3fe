"""What a command has to say, and its exit code."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum


class Exit(IntEnum):
    """Exit codes, for scripts and monitors."""

    OK = 0
    ATTENTION = 1  # it ran, but somebody must look: a failed run, a mail not delivered, an error
    CONFIG = 2  # wrong usage or wrong input; nothing was changed
    NO_VERDICT = 3  # the mails went out and say that no verdict could be made


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a command has to say, and its exit code."""

    text: str
    exit_code: Exit
