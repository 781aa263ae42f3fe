"""Whose clock judges leases and deadlines: the database's where it has one of its own, else the machine's.

Two services on one PostgreSQL may run on machines whose clocks differ. What one writes the other reads, so both go by
the database's clock. An SQLite file lies on the machine of the service: there is only one clock.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import sqlalchemy as sa

LEAST_SKEW = timedelta(seconds=2)  # less than this is the way to the database and back


def judged_utc(connection: sa.Connection, at_utc: datetime) -> datetime:
    """Return a moment of the machine's clock as the clock of the database would have it."""
    return at_utc + skew(connection)


def skew(connection: sa.Connection) -> timedelta:
    """Return the database's clock less the machine's, 0 where they are one."""
    if connection.dialect.name != "postgresql":
        return timedelta()
    database_utc: datetime = connection.execute(sa.text("SELECT clock_timestamp()")).scalar_one()
    found = database_utc.astimezone(UTC) - datetime.now(UTC)
    return found if abs(found) >= LEAST_SKEW else timedelta()
