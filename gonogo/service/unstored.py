"""Why a run could not be stored, until the database stores something again: a full disk can be read all the while."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from gonogo.errors import StoreBusyError, StoreError

# A run is tried again every minute. Where a small write goes, the next run may find no room all the same.
FORGOTTEN_AFTER = timedelta(minutes=3)


@dataclass(slots=True)
class Unstored:
    """The last such fault; n_faults without a run that was stored in between."""

    fault: StoreError | None = None
    at_utc: datetime | None = None
    n_faults: int = 0

    def note(self, fault: StoreError, now_utc: datetime) -> None:
        """Keep a fault in mind. A lock is none: it may pass before anybody could look."""
        if not isinstance(fault, StoreBusyError):
            self.fault, self.at_utc = fault, now_utc
            self.n_faults += 1

    def is_stored(self) -> None:
        """Forget it: a run was stored."""
        self.fault, self.at_utc, self.n_faults = None, None, 0

    def is_written(self, now_utc: datetime) -> None:
        """Forget it where the database takes a write and no run has met a fault for a while."""
        if self.at_utc is not None and abs(now_utc - self.at_utc) >= FORGOTTEN_AFTER:
            self.is_stored()

    def __str__(self) -> str:
        return "" if self.fault is None else str(self.fault)
