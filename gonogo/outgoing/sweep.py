"""What a round of delivery does now and then besides: let go of what is held in vain, end what is too late, and tell
the operator of what has waited for others of its kind.

At its begin, and while it goes on: where mails come in all the while a round has no end for minutes, and what a process
held that died meanwhile would wait for that end.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import TypeVar

import sqlalchemy as sa

from gonogo.errors import StoreBusyError
from gonogo.outgoing.rounds import Memory
from gonogo.outgoing.smtp import MAIL_LIMIT_S
from gonogo.store import alive, endings, outbox, schema
from gonogo.store.owner import IsDead
from gonogo.store.queued import Fallback, Queued

log = logging.getLogger("gonogo.outgoing.sweep")

SWEPT_EVERY = timedelta(seconds=5)

ReturnT = TypeVar("ReturnT")


def unless_busy(step: Callable[[], ReturnT]) -> ReturnT | None:
    """Do what the next round may do as well where another's lock forbids it: that holds up no mail."""
    try:
        return step()
    except StoreBusyError:
        log.warning("another session holds a lock of the outbox; what is due goes first", exc_info=True)
        return None


@dataclass(slots=True, kw_only=True)
class Sweep:
    """The sweeps of one round, whichever connection takes them; fields as of delivery.Worker.

    expired, dead_letters   what was ended so far
    """

    store: sa.Engine
    now_utc: Callable[[], datetime]
    owner: str
    memory: Memory
    expired_fallback: Fallback
    failed_fallback: Fallback
    may_expire: bool
    is_dead: IsDead
    tell_together: Callable[[], object]
    expired: list[Queued] = field(default_factory=list)
    dead_letters: list[Queued] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def begin(self) -> None:
        """Sweep where it is time, and give back what a round before this one left behind. Raises StoreError."""
        if self.memory.may_hold:
            self.memory.swept_utc = None
        self.now_and_then()
        if self.memory.may_hold:
            unless_busy(self._release_own)

    def now_and_then(self) -> None:
        """Sweep unless that was done just now, by the worker's own clock, so that one that was set is noticed.

        Raises StoreError.
        """
        with self._lock:
            now_utc, swept_utc = self.now_utc(), self.memory.swept_utc
            if swept_utc is not None and abs(now_utc - swept_utc) < SWEPT_EVERY:
                return
            self.memory.swept_utc = now_utc
        unless_busy(self._release_dead)
        unless_busy(self.tell_together)
        if self.may_expire:
            self.expired += unless_busy(self._expire) or ()
        self.dead_letters += unless_busy(self._end_dead_letters) or ()

    def _release_dead(self) -> None:
        with schema.read(self.store) as connection:
            is_gone = alive.is_gone(connection)
        now_utc = self.now_utc()
        outbox.release_dead(self.store, now_utc=now_utc, is_dead=self.is_dead, is_gone=is_gone, gone_s=MAIL_LIMIT_S)

    def _release_own(self) -> None:
        """Give back what this worker holds and is not at: at the begin of a round, when it is at nothing."""
        outbox.release_own(self.store, self.owner, besides=self.memory.went)
        self.memory.may_hold = False

    def _expire(self) -> tuple[Queued, ...]:
        return endings.expire(self.store, now_utc=self.now_utc(), fallback=self.expired_fallback)

    def _end_dead_letters(self) -> tuple[Queued, ...]:
        return endings.dead_letters(self.store, now_utc=self.now_utc(), tell=self.failed_fallback)
