"""How far the machine's clock is believed: what steps of it were noticed, and what other clocks said of it."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import timedelta

CLOCKS_APART = timedelta(minutes=15)
HELD_S = 300.0  # no run starts for so long after another clock refuted ours, unless ours is set meanwhile
SETTLED_S = 600.0  # a clock that was set ahead may be set back: nothing expires for so long
ASKED_EVERY_S = 600.0  # how often a weather service is asked for its Date where stored runs lie in the future


class ClockTrust:
    """What is known of the machine's clock. Everything in it is counted on the monotonic clock.

    set_by       sum of all steps since another clock agreed with ours, or since the service started
    refuted_by   how far another clock is ahead of ours by which a run that seemed due was not; None = not refuted
    """

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self.set_by = timedelta()
        self._n_steps = 0
        self._ahead_at_s = -SETTLED_S
        self.refuted_by: timedelta | None = None
        self._refuted_at_s = 0.0
        self._asked_at_s = -ASKED_EVERY_S

    def stepped(self, step_s: float) -> None:
        """Note that the clock was set [s]. What other clocks said of it before counts no more."""
        self.set_by += timedelta(seconds=step_s)
        self._n_steps += 1
        self.refuted_by = None
        self._asked_at_s = -ASKED_EVERY_S
        if timedelta(seconds=step_s) > CLOCKS_APART:
            self._ahead_at_s = self._monotonic()

    def note_offset(self, offset: timedelta) -> None:
        """Note by how much another clock is ahead of ours. Where the two agree, steps are counted from here on."""
        if abs(offset) <= CLOCKS_APART:
            self.set_by, self._n_steps, self.refuted_by = timedelta(), 0, None

    def refuted(self, offset: timedelta) -> None:
        """Note that another clock is so far ahead of ours that a run which seems due is not."""
        self.refuted_by, self._refuted_at_s = offset, self._monotonic()

    @property
    def may_run(self) -> bool:
        """Whether a run may start: not for a while after the clock was refuted."""
        return self.refuted_by is None or self._monotonic() - self._refuted_at_s >= HELD_S

    @property
    def is_surely_wrong(self) -> bool:
        """Whether two witnesses agree: another clock, and ours as it was before it was set."""
        return (
            self.refuted_by is not None
            and abs(self.set_by) > CLOCKS_APART
            and abs(self.set_by + self.refuted_by) <= CLOCKS_APART
        )

    @property
    def is_back(self) -> bool:
        """Whether the clock was set, and stands again where it would without all steps."""
        return self._n_steps > 1 and abs(self.set_by) <= CLOCKS_APART

    @property
    def may_expire(self) -> bool:
        """Whether mails may be found too late: not while a clock that was set ahead may yet be set back."""
        return self._monotonic() - self._ahead_at_s >= SETTLED_S

    def may_ask(self) -> bool:
        """Whether a service may be asked for its Date again; whoever is told yes asks."""
        if self._monotonic() - self._asked_at_s < ASKED_EVERY_S:
            return False
        self._asked_at_s = self._monotonic()
        return True
