"""What may be a slip in a site's file by the calendar and the map: warnings that another day, or place, would not have.

The place is looked up in the map of time zones that the library tzfpy brings along (simplified borders of
OpenStreetMap: an answer can be wrong within some kilometres of one). It tells the sea from 22 km off the coast on;
nearer to the coast a place in the water is not noticed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import tzfpy

from gonogo.config.lists import with_lists
from gonogo.config.load import SITES_FOLDER, Config
from gonogo.config.tables import DAYS
from gonogo.config.toml_file import ConfigFile
from gonogo.errors import Fault
from gonogo.records.days_off import is_over, is_working_day, stop_on
from gonogo.records.field import Reading
from gonogo.records.site import Site
from gonogo.times import HOUR, local_date
from gonogo.weather.past import WANTED_BACK_H

FAR_KM = 500.0
EARTH_KM = 6371.0
CLOCK_SLACK = timedelta(minutes=10)
_AT_SEA = "Etc/"


def file_of(config: Config, site: Site) -> ConfigFile:
    """Return the file of a site, to warn of what stands in it."""
    file = with_lists(ConfigFile(config.folder / SITES_FOLDER / f"{site.id}.toml"))
    file.warnings.clear()  # those of the file alone are said already
    return file


def dated_warnings(
    config: Config, *, now_utc: datetime, newest_test_utc: Mapping[tuple[str, str], datetime] | None = None
) -> tuple[Fault, ...]:
    """Return what is likely a slip on this day and at these places.

    newest_test_utc   by (site, strip) the newest recorded test: an older one in the file does no harm
    """
    warnings: list[Fault] = []
    for site in config.sites:
        file = file_of(config, site)
        _warn_of_place(file, site, local_date(now_utc, site.zone).year)
        _warn_of_distance(file, site, config.sites)
        for reading in config.readings[site.id]:
            newer = (newest_test_utc or {}).get((site.id, reading.strip_id))
            _warn_of_age(file, reading, now_utc, newer)
        today = local_date(now_utc, site.zone)
        for strip in site.strips:
            if strip.finish_by is not None and strip.finish_by < today:
                wrong = f"lies {(today - strip.finish_by).days} days in the past."
                file.warn(52, ("strip", strip.id, "finish_by"), wrong, "Write a date to come, or delete the line.")
        week = [today + timedelta(days=n) for n in range(7)]
        working = [day for day in week if is_working_day(site, day)]
        if working:
            _warn_of_unreached(file, site, working)
        elif not is_over(site, today) and stop_on(site, today) is None:
            wrong = f"leave no working day from {today} to {today + timedelta(days=6)}: nobody gets a mail."
            file.warn(53, ("site", "holidays"), wrong, "Look at holidays and working_days.")
        warnings += file.warnings
    return tuple(warnings)


def _warn_of_unreached(file: ConfigFile, site: Site, working: Sequence[date]) -> None:
    """Warn of people whose own days are none of the site's working days of this week."""
    for crew in site.crews:
        for n, person in enumerate(crew.recipients):
            if person.mail_days is not None and not {day.weekday() for day in working} & set(person.mail_days):
                days = ", ".join(DAYS[day.weekday()] for day in working)
                wrong = f"of {person.name} holds none of the days on which the site works this week: {days}."
                file.warn(54, ("crew", crew.id, "person", n, "mail_days"), wrong, "Add a day, or leave the key out.")


def _offsets_h(zone: ZoneInfo, year: int) -> tuple[float, ...]:
    """Return how far the clock of a zone is from UTC in January and July [h]."""
    moments = (datetime(year, month, 15, 12, tzinfo=UTC) for month in (1, 7))
    return tuple((at.astimezone(zone).utcoffset() or timedelta()) / HOUR for at in moments)


def zone_at(latitude_deg: float, longitude_deg: float) -> str:
    """Return the time zone of a place, one of Etc/... at sea."""
    return str(tzfpy.get_tz(longitude_deg, latitude_deg))


def _warn_of_place(file: ConfigFile, site: Site, year: int) -> None:
    """Warn where zone and place do not go together; a minus that was left out explains more than either."""
    found = zone_at(site.latitude_deg, site.longitude_deg)
    if found == site.zone.key:
        return
    for key, mirrored in (
        ("latitude_deg", (-site.latitude_deg, site.longitude_deg)),
        ("longitude_deg", (site.latitude_deg, -site.longitude_deg)),
    ):
        if zone_at(*mirrored) == site.zone.key:
            value = getattr(site, key)
            wrong = f"puts the site {'into the sea' if found.startswith(_AT_SEA) else f'where {found} is the time'}."
            right = f"With {key} = {-value:g} it would lie in {site.zone.key}: south and west are negative."
            file.warn(41, ("site", key), wrong, right)
            return
    if found.startswith(_AT_SEA):
        right = "Check latitude_deg and longitude_deg, and that they are not exchanged."
        file.warn(42, ("site", "latitude_deg"), "and longitude_deg lie in the sea, over 22 km from land.", right)
        ours, theirs = _offsets_h(site.zone, year), _offsets_h(ZoneInfo(found), year)
        if abs(ours[0] - theirs[0]) <= 1.5:  # a sea has no summer time, and its land may keep another hour
            return
    ours, theirs = _offsets_h(site.zone, year), _offsets_h(ZoneInfo(found), year)
    if ours != theirs:
        apart = max(abs(a - b) for a, b in zip(ours, theirs, strict=True))
        wrong = f"is up to {apart:g} h off the clock of the place, which is {found}."
        file.warn(40, ("site", "zone"), wrong, f'Write zone = "{found}", or check latitude_deg and longitude_deg.')


def _warn_of_distance(file: ConfigFile, site: Site, sites: tuple[Site, ...]) -> None:
    others = [(_km(site, other), other) for other in sites if other.id != site.id]
    if not others:
        return
    km, nearest = min(others, key=lambda pair: pair[0])
    if km > FAR_KM:
        wrong = f"and longitude_deg lie {km:.0f} km from the nearest other site, {nearest.id}."
        file.warn(43, ("site", "latitude_deg"), wrong, "Check both, and their signs.")


def _km(a: Site, b: Site) -> float:
    """Return the distance of two sites on a sphere [km], by the haversine formula."""
    lat_a, lat_b = math.radians(a.latitude_deg), math.radians(b.latitude_deg)
    half_lat, half_lon = (lat_b - lat_a) / 2.0, math.radians(b.longitude_deg - a.longitude_deg) / 2.0
    chord = math.sin(half_lat) ** 2 + math.cos(lat_a) * math.cos(lat_b) * math.sin(half_lon) ** 2
    return 2.0 * EARTH_KM * math.asin(min(1.0, math.sqrt(chord)))


def _warn_of_age(file: ConfigFile, reading: Reading, now_utc: datetime, newer_utc: datetime | None) -> None:
    loc, age = ("strip", reading.strip_id, "reading", "at"), now_utc - reading.at_utc
    if age < -CLOCK_SLACK:
        file.warn(50, loc, "lies in the future.", "Write when the test was made, in local time.")
    elif age > WANTED_BACK_H * HOUR and (newer_utc is None or newer_utc <= reading.at_utc):
        wrong = f"is {age.days} days old; weather is known for {WANTED_BACK_H // 24} days back, and the strip waits."
        file.warn(51, loc, wrong, "Test again and record it, or write the newer test here.")
