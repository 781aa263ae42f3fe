"""UTC to site time and back, days on which the clock is set. Counting is always done in UTC."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

HOUR = timedelta(hours=1)


def local_date(at_utc: datetime, zone: ZoneInfo) -> date:
    """Return the date on the site's calendar at a moment."""
    return at_utc.astimezone(zone).date()


def moment_utc(day: date, at_local: time, zone: ZoneInfo) -> datetime:
    """Return the moment of a wall-clock time on a local date.

    A time that the spring change skips becomes the same distance after the gap; a time that the autumn change
    repeats means its first occurrence. Every (day, time) therefore names exactly one moment.
    """
    return datetime.combine(day, at_local, tzinfo=zone).astimezone(UTC)


def occurrences_utc(at_local: datetime, zone: ZoneInfo) -> tuple[datetime, ...]:
    """Return the moments at which the site's clock shows a time, the sooner first.

    None where the spring change skips it, two where the autumn change repeats it.
    """
    folds = (at_local.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
    shown = at_local.replace(fold=0)
    return tuple(sorted({at for at in folds if at.astimezone(zone).replace(tzinfo=None, fold=0) == shown}))


def hour_floor(at_utc: datetime) -> datetime:
    """Return the start of the UTC hour that holds a moment."""
    return at_utc.astimezone(UTC).replace(minute=0, second=0, microsecond=0)


def hours_utc(start_utc: datetime, n_hours: int) -> npt.NDArray[np.datetime64]:
    """Return n_hours consecutive hour starts as datetime64[h], UTC."""
    first = np.datetime64(hour_floor(start_utc).replace(tzinfo=None), "h")
    return first + np.arange(n_hours)


def as_datetime(hour: np.datetime64) -> datetime:
    """Return a datetime64 of UTC as an aware datetime."""
    seconds = int(hour.astype("datetime64[s]").astype(np.int64))
    return datetime.fromtimestamp(seconds, tz=UTC)


def as_hour(at_utc: datetime) -> np.datetime64:
    """Return the UTC hour that holds an aware moment as datetime64[h]."""
    return np.datetime64(hour_floor(at_utc).replace(tzinfo=None), "h")
