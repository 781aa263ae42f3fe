"""The machine's clock, read here and nowhere else in the service."""

from __future__ import annotations

from datetime import UTC, datetime


def clock_utc() -> datetime:
    """Return the machine's time. The only clock of the service."""
    return datetime.now(UTC)
