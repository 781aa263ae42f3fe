"""What a command has to say, and its exit code."""

from __future__ import annotations

import sys
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


class Printer:
    """Prints parts of what a command says while it is at work, an empty line after each.

    A screen that takes nothing more (a pipe that was closed, a full disk) ends no work that is under way: what is told
    after that is lost, and `end` says so.
    """

    def __init__(self) -> None:
        self._fault: OSError | ValueError | None = None

    def tell(self, text: str) -> None:
        """Print a part."""
        if self._fault is not None:
            return
        try:
            # Screen once more: a progress bar puts a stream of its own in the place of stdout.
            print(text, end="\n\n", file=Screen(sys.stdout), flush=True)
        except (OSError, ValueError) as error:  # ValueError: it was closed, or cannot write a character
            self._fault = error

    def end(self) -> None:
        """Say that all is done. Raises what kept a part from being printed."""
        if self._fault is not None:
            raise self._fault


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandOutcome:
    """What a command has to say, and its exit code."""

    text: str
    exit_code: Exit
