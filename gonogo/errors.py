"""The error family. Each class says who can help; each text says what is wrong, where, and what would be right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

LONGEST_VALUE = 80  # of a value as it is shown


def printable(text: str) -> str:
    """Return a text on one line: with escapes where it holds what a terminal or a log must not see."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


class GonogoError(Exception):
    """Anything that gonogo raises on purpose. Its lines are ours: what others said in them cannot begin a new one."""

    def __init__(self, text: str = "") -> None:
        super().__init__("\n".join(printable(line) for line in text.split("\n")))


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault in a file or an entry.

    place   file, or "command line"
    key     dotted path to the value, e.g. "material.clay.omc_pct"
    value   what stood there, as text; "" when the key is missing
    wrong   what is wrong and against what
    right   what would be right, with an example
    number  of a warning, 0 of a fault
    """

    place: str
    key: str
    value: str
    wrong: str
    right: str
    number: int = 0

    def __str__(self) -> str:
        value = self.value if len(self.value) <= LONGEST_VALUE else f"{self.value[: LONGEST_VALUE - 3]}..."
        stood = f" = {value}" if value else ""
        return printable(f"{self.place}: {self.key}{stood}: {self.wrong} {self.right}")


class ConfigError(GonogoError):
    """Bad input that the person at the file can mend. Carries every fault, not only the first."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(c) for c in self.faults))


class WeatherError(GonogoError):
    """A service gave no usable answer. `passing` is true where a later try may well work."""

    def __init__(self, text: str, *, passing: bool) -> None:
        self.passing = passing
        super().__init__(text)


class SoilError(GonogoError):
    """A value outside soil physics."""


class StoreError(GonogoError):
    """The database refused, or holds what it must not."""


class StoreBusyError(StoreError):
    """Another session holds a lock of the database longer than a step waits for it. Nothing of the step was stored."""


class DeliveryError(GonogoError):
    """A message was not accepted. `passing` is true where a later try may well work."""

    def __init__(self, text: str, *, passing: bool) -> None:
        self.passing = passing
        super().__init__(text)


class TransportError(DeliveryError):
    """The mail server as a whole cannot be used now: down, silent, unknown certificate, wrong password.

    No message is to blame, so it always counts as passing: each waits for its deadline while the operator mends it.
    """

    def __init__(self, text: str) -> None:
        super().__init__(text, passing=True)


class TooManyConnectionsError(TransportError):
    """The mail server takes no further connection beside those that are open; the mail goes by one of these."""
