"""What a command has to say, and its exit code."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Any, TextIO

from gonogo.records.foreign_text import readable


class Exit(IntEnum):
    """Exit codes, for scripts and monitors."""

    OK = 0
    ATTENTION = 1  # it ran, but somebody must look: a failed run, a mail not delivered, an error
    CONFIG = 2  # wrong usage or wrong input; nothing was changed
    NO_VERDICT = 3  # the mails went out and say that no verdict could be made


class Screen:
    """What stands in for stdout while a command runs: text of others that a terminal would act on becomes escapes."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        return self._stream.write(readable(text, keep="\n\t"))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandOutcome:
    """What a command has to say, and its exit code."""

    text: str
    exit_code: Exit
