"""Shifts and daylight of a site, and its working days (days_off.py). Counting is done in UTC."""

from __future__ import annotations

import functools
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import astral
import astral.sun

from gonogo.records.day_plan import Half
from gonogo.records.days_off import is_working_day
from gonogo.records.site import Site
from gonogo.times import moment_utc

__all__ = ["daylight_utc", "half_of", "is_working_day", "shift_utc", "working_hours_utc"]

CIVIL_DEG = 6.0  # civil twilight: the sun so far below the horizon


def shift_utc(site: Site, day: date) -> tuple[datetime, datetime]:
    """Return start and end of the shift of a local date; one whose end is not after its start passes midnight."""
    start = moment_utc(day, site.shift_start, site.zone)
    end_day = day if site.shift_end > site.shift_start else day + timedelta(days=1)
    return start, moment_utc(end_day, site.shift_end, site.zone)


def daylight_utc(site: Site, day: date) -> tuple[datetime, datetime] | None:
    """Return civil dawn and dusk of a local date; None where it stays light, twice the same noon where it stays dark.

    Source: the astral library; civil twilight is the sun 6 degrees below the horizon.
    """
    return _daylight_utc(site.latitude_deg, site.longitude_deg, site.elevation_m, site.zone, day)


@functools.lru_cache(maxsize=1024)  # the days of a horizon are asked for some hundred times in a morning
def _daylight_utc(
    latitude_deg: float, longitude_deg: float, elevation_m: float, zone: ZoneInfo, day: date
) -> tuple[datetime, datetime] | None:
    observer = astral.Observer(latitude_deg, longitude_deg, elevation_m)
    try:
        # Asked in the site's own zone, so that dawn and dusk belong to this local date.
        dawn = astral.sun.dawn(observer, day, tzinfo=zone)
        dusk = astral.sun.dusk(observer, day, tzinfo=zone)
    except ValueError:  # the sun does not pass that height: polar summer or polar night
        noon = moment_utc(day, time(12), zone)
        is_light = max(_sun_deg(observer, noon + timedelta(hours=h)) for h in range(-12, 13)) >= -CIVIL_DEG
        return None if is_light else (noon, noon)
    return dawn.astimezone(UTC), dusk.astimezone(UTC)


def _sun_deg(observer: astral.Observer, at_utc: datetime) -> float:
    """Return the height of the sun above the horizon [degrees]."""
    return float(astral.sun.elevation(observer, at_utc))


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


def half_of(site: Site, at_utc: datetime) -> tuple[date, Half]:
    """Return the local date and the half of the day that hold a moment; the afternoon begins at noon."""
    local = at_utc.astimezone(site.zone)
    return local.date(), Half.MORNING if local.time() < time(12) else Half.AFTERNOON
