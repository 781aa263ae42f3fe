"""What a run is about and what it works with: one record for everything that it does."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

import sqlalchemy as sa

from gonogo.config import Config
from gonogo.download.forecasts import Fetch, Second
from gonogo.records.site import Site
from gonogo.store import patience

MORNING = "morning"
CLOCK_WRONG = timedelta(hours=1)  # a clock that is so far off may have brought the wrong day


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFrame:
    """What a run is about and what it works with.

    day           the local date that it is about
    edition       "morning", or the name of a later re-check: one run for each site, date and edition
    now_utc       the moment that it stands for
    deadline_utc  after this its mails are useless; now_utc where it has none
    fetch         asks the weather services
    second        asks those after the one that was used, as a check; None = nobody is asked
    asks_until_utc  a forecast that may still come is requested again until then; None: what comes at once counts
    start_utc     before this it is not due; None where a person asks for it whatever the clock says
    n_void        runs of the same morning that a wrong clock made: the mails of this one are others than theirs
    owner         who runs it, as a claim names it; "" where nothing is claimed
    keeps         False where it is only shown: then nothing of it is stored
    patience_s    how long each step outlasts another's lock of the database; 0 where something better can be done
    """

    config: Config
    site: Site
    day: date
    edition: str = MORNING
    now_utc: datetime
    deadline_utc: datetime
    store: sa.Engine
    fetch: Fetch
    second: Second | None = None
    asks_until_utc: datetime | None = None
    start_utc: datetime | None = None
    n_void: int = 0
    owner: str = ""
    keeps: bool = True
    patience_s: float = field(default_factory=lambda: patience.LONG_S)

    def is_refuted_by(self, offset: timedelta) -> bool:
        """Return whether this run is not due by a clock that is so far ahead of the machine's."""
        if self.start_utc is None or abs(offset) <= CLOCK_WRONG:
            return False
        return not self.start_utc - CLOCK_WRONG <= self.now_utc + offset < self.deadline_utc

    @property
    def may_ask_again(self) -> bool:
        """Whether a forecast that did not come may be asked for once more before this run has to end."""
        return self.asks_until_utc is not None and self.now_utc < self.asks_until_utc

    @property
    def sender(self) -> str:
        return self.config.transport.sender

    @property
    def reply_to(self) -> str:
        """Where answers go: to the mailbox that is read, where there is one."""
        inbox = self.config.inbox
        return inbox.address if inbox is not None else self.config.transport.reply_to or ""
