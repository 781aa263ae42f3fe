"""UTC to site time and back, shift hours, daylight, days on which the clock is set. Counting is always done in UTC."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import astral
import astral.sun
import numpy as np
import numpy.typing as npt

from gonogo.records import Site

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


def is_working_day(site: Site, day: date) -> bool:
    """Return whether the site works on a local date: its weekday is listed and it is no holiday."""
    return day.weekday() in site.working_days and day not in site.holidays


def shift_utc(site: Site, day: date) -> tuple[datetime, datetime]:
    """Return start and end of the shift of a local date; one whose end is not after its start passes midnight."""
    start = moment_utc(day, site.shift_start, site.zone)
    end_day = day if site.shift_end > site.shift_start else day + timedelta(days=1)
    return start, moment_utc(end_day, site.shift_end, site.zone)


def daylight_utc(site: Site, day: date) -> tuple[datetime, datetime] | None:
    """Return civil dawn and dusk of a local date, or None where the sun does not pass them (polar summer or winter).

    Source: the astral library; civil twilight is the sun 6 degrees below the horizon.
    """
    observer = astral.Observer(site.latitude_deg, site.longitude_deg, site.elevation_m)
    try:
        # Asked in the site's own zone, so that dawn and dusk belong to this local date.
        dawn = astral.sun.dawn(observer, day, tzinfo=site.zone)
        dusk = astral.sun.dusk(observer, day, tzinfo=site.zone)
    except ValueError:
        return None
    return dawn.astimezone(UTC), dusk.astimezone(UTC)


def working_hours_utc(site: Site, day: date) -> tuple[datetime, datetime]:
    """Return the part of the shift that has daylight. Empty (start == end) where there is none.

    Rolling by floodlight happens; a site that does so sets the shift and `needs_daylight = 0`, which the caller
    honours by asking `shift_utc` instead.
    """
    start, end = shift_utc(site, day)
    light = daylight_utc(site, day)
    if light is None:
        return start, end
    start, end = max(start, light[0]), min(end, light[1])
    return (start, end) if start < end else (start, start)


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
