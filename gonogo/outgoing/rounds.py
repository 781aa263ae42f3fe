"""What the connections of one round of delivery share: how far it goes, and what became of each mail."""

from __future__ import annotations

import random
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime

from gonogo.errors import TransportError
from gonogo.outgoing.connections import Limit
from gonogo.records.outside import Transport
from gonogo.store.queued import Queued

# After so many faults of the server in a row the round ends: the rest would only wait for the same fault.
FAULTS_THAT_END_A_ROUND = 3
FIRST_WAIT_S = 15.0
LONGEST_WAIT_S = 300.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryReport:
    """What one round did, mails without their bytes.

    put_off: passing faults; server_fault: "" or what is wrong with the server as a whole
    """

    sent: tuple[Queued, ...] = ()
    put_off: tuple[Queued, ...] = ()
    refused: tuple[Queued, ...] = ()
    expired: tuple[Queued, ...] = ()
    dead_letters: tuple[Queued, ...] = ()
    server_fault: str = ""

    @property
    def is_good(self) -> bool:
        """Nothing was lost, late, refused or put off."""
        return not (self.put_off or self.refused or self.expired or self.dead_letters or self.server_fault)


def together(reports: Sequence[DeliveryReport]) -> DeliveryReport:
    """Return what several rounds did; of a mail that was put off and went later only that it went."""
    sent = tuple(m for report in reports for m in report.sent)
    gone = {m.id for m in sent}
    put_off = {m.id: m for report in reports for m in report.put_off if m.id not in gone}
    return DeliveryReport(
        sent=sent,
        put_off=tuple(put_off.values()),
        refused=tuple(m for report in reports for m in report.refused),
        expired=tuple(m for report in reports for m in report.expired),
        dead_letters=tuple(m for report in reports for m in report.dead_letters),
        server_fault=reports[-1].server_fault if reports else "",
    )


def wait_s(n_tries: int, rng: random.Random) -> float:
    """Return how long to wait after the n-th try: doubling to a limit, and shortened by chance by up to a half.

    The chance keeps mails that failed together from coming back together. Limits: common practice, no source.
    """
    longest = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(n_tries - 1, 16))
    return longest * rng.uniform(0.5, 1.0)


def delivery_line(report: DeliveryReport, transport: Transport) -> str:
    """Return what one round of delivery did, in a line or a few."""
    where = f"written to {transport.folder}" if transport.kind == "folder" else f"sent through {transport.host}"
    n_sent = len(report.sent)
    parts = [f"{n_sent} {'mail' if n_sent == 1 else 'mails'} {where}"]
    for name, what in (
        ("put_off", "put off, to be tried again"),
        ("refused", "refused for good"),
        ("expired", "too late"),
        ("dead_letters", "given up after many faults"),
    ):
        if n := len(getattr(report, name)):
            parts.append(f"{n} {what}")
    if report.server_fault:
        parts.append(f"mail server: {report.server_fault}")
    return "; ".join(parts).removesuffix(".") + "."


@dataclass(slots=True)
class Memory:
    """What one process remembers from round to round.

    went    mails that went, but whose mark the database refused
    limit   how many connections the mail server takes
    may_hold  the last round met a fault of the database: mails may be leased that nobody is at
    swept_utc  when it was last looked for what is too late or held in vain, None = never
    """

    went: set[str] = field(default_factory=set)
    may_hold: bool = False
    swept_utc: datetime | None = None
    limit: Limit = field(default_factory=Limit)


@dataclass(slots=True)
class Round:
    """One round, by one connection or several in threads of their own.

    n_left         mails that may yet be taken, None = as many as are due
    server_fault   "" or what is wrong with the server as a whole
    n_faults       faults of the server since it last answered for a mail
    n_open         connections that are at work
    n_turned_away  connections that the server had no room for
    """

    n_left: int | None = None
    server_fault: str = ""
    n_faults: int = 0
    n_open: int = 1
    n_turned_away: int = 0
    sent: list[Queued] = field(default_factory=list)
    put_off: list[Queued] = field(default_factory=list)
    refused: list[Queued] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def note(self, error: Exception | None) -> None:
        """Note how the server answered for a mail."""
        with self._lock:
            if isinstance(error, TransportError):
                self.server_fault, self.n_faults = str(error), self.n_faults + 1
            else:
                self.server_fault, self.n_faults = "", 0

    def take(self) -> bool:
        """Return whether one more mail may be taken; whoever is told yes takes it."""
        with self._lock:
            if self.n_left == 0 or self.n_faults >= FAULTS_THAT_END_A_ROUND:
                return False
            self.n_left = None if self.n_left is None else self.n_left - 1
            return True

    def opened(self, wanted: int) -> int:
        """Note that as many connections are opened as are wanted and not open; return how many those are."""
        with self._lock:
            n_more = max(0, wanted - self.n_open)
            self.n_open += n_more
            return n_more

    def ended(self) -> None:
        """Note that a connection beside the first has nothing more to do."""
        with self._lock:
            self.n_open -= 1

    def turned_away(self) -> int:
        """Note that the server had no room for a connection; another takes its mail. Return how many stay, 0 for none.

        The last one is not turned away: what the server says then is a fault of the server.
        """
        with self._lock:
            if self.n_open < 2:
                return 0
            self.n_open -= 1
            self.n_turned_away += 1
            self.n_left = None if self.n_left is None else self.n_left + 1
            return self.n_open

    def report(self, *, expired: tuple[Queued, ...], dead_letters: tuple[Queued, ...]) -> DeliveryReport:
        """Return what came of the round."""
        return DeliveryReport(
            sent=tuple(self.sent),
            put_off=tuple(self.put_off),
            refused=tuple(self.refused),
            expired=expired,
            dead_letters=dead_letters,
            server_fault=self.server_fault,
        )
