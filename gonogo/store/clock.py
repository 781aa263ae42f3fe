"""Whose clock judges leases and deadlines: the database's where it has one of its own, else the machine's.

Two services on one PostgreSQL may run on machines whose clocks differ. What one writes the other reads, so both go by
the database's clock. An SQLite file lies on the machine of the service: there is only one clock.
"""

from __future__ import annotations

import time
import weakref
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import sqlalchemy as sa

LEAST_SKEW = timedelta(seconds=2)  # less than this is the way to the database and back
KNOWN_S = 5.0  # for so long what the database's clock said is taken again: each transaction asks for it
STEPPED_S = 0.5  # by so much more than time has passed no clock moves that was not set


@dataclass(frozen=True, slots=True)
class _Told:
    """What was told of a database's clock, and when: by the wall clock and by the one that nobody sets [s]."""

    skew: timedelta
    wall_s: float
    monotonic_s: float

    @property
    def is_fresh(self) -> bool:
        """Whether it was told just now, and the machine's own clock was not set since."""
        passed_s = time.monotonic() - self.monotonic_s
        return 0.0 <= passed_s < KNOWN_S and abs(time.time() - self.wall_s - passed_s) < STEPPED_S


_told: weakref.WeakKeyDictionary[sa.Engine, _Told] = weakref.WeakKeyDictionary()


def judged_utc(connection: sa.Connection, at_utc: datetime) -> datetime:
    """Return a moment of the machine's clock as the clock of the database would have it."""
    return at_utc + skew(connection)


def skew(connection: sa.Connection) -> timedelta:
    """Return the database's clock less the machine's, 0 where they are one."""
    if connection.dialect.name != "postgresql":
        return timedelta()
    told = _told.get(connection.engine)
    if told is None or not told.is_fresh:
        told = _told[connection.engine] = _asked(connection)
    return told.skew


def _asked(connection: sa.Connection) -> _Told:
    """Ask the database for the time."""
    database_utc: datetime = connection.execute(sa.text("SELECT clock_timestamp()")).scalar_one()
    found = database_utc.astimezone(UTC) - datetime.now(UTC)
    return _Told(
        skew=found if abs(found) >= LEAST_SKEW else timedelta(), wall_s=time.time(), monotonic_s=time.monotonic()
    )
