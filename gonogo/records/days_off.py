"""Days on which a site does not work: its weekdays, public holidays, typed dates, stops and its end.

Public holidays come from the library `holidays`, which is an extra: whoever names no country needs none of it.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from datetime import date, timedelta

from gonogo.records.day_plan import Pause
from gonogo.records.site import Site, Stop

LOOK_AHEAD_DAYS = 400  # a break that is longer has no end that anybody plans by


def is_working_day(site: Site, day: date) -> bool:
    """Return whether the site works on a local date.

    Neither after its end nor while it stands still; else on a date of `working_dates`, and on its weekdays that are no
    holiday.
    """
    if stop_on(site, day) is not None or is_over(site, day):
        return False
    return day in site.working_dates or (day.weekday() in site.working_days and not is_holiday(site, day))


def is_over(site: Site, day: date) -> bool:
    """Return whether a date lies after the site's last day."""
    return site.ends_on is not None and day > site.ends_on


def stop_on(site: Site, day: date) -> Stop | None:
    """Return the time of standing still that holds a date, None where it holds none."""
    return next((stop for stop in site.stops if stop.first_day <= day <= stop.last_day), None)


def is_holiday(site: Site, day: date) -> bool:
    """Return whether a date is a holiday: typed in, or a public one of the site's country and state."""
    return day in site.holidays or day in public_holidays(site.holiday_country, site.holiday_state, day.year)


@functools.lru_cache(maxsize=1024)
def public_holidays(country: str, state: str, year: int) -> Mapping[date, str]:
    """Return the public holidays of a year by date, with the names they have there; empty without a country.

    country, state   ISO 3166 codes, such as "US" and "IA"; state "" for those of the whole country

    Source: the library holidays (Vacanza), with holidays moved to another day as that country does it.
    Raises ImportError where the library is not installed: the config says so before a site is made.
    """
    if not country:
        return {}
    import holidays

    return dict(holidays.country_holidays(country, subdiv=state or None, years=year).items())


def next_working_day(site: Site, day: date) -> date | None:
    """Return the first working day after a date, None where none comes within LOOK_AHEAD_DAYS."""
    for ahead in range(1, LOOK_AHEAD_DAYS + 1):
        after = day + timedelta(days=ahead)
        if is_over(site, after):
            return None
        if is_working_day(site, after):
            return after
    return None


def pause_after(site: Site, day: date) -> Pause | None:
    """Return the days off that follow a date where they are more than the usual weekend, None where they are not."""
    first = day + timedelta(days=1)
    if is_over(site, first):
        return Pause(first_day=first, last_day=None, why="end")
    following = next_working_day(site, day)
    last = None if following is None else following - timedelta(days=1)
    off = tuple(first + timedelta(days=n) for n in range(((last or first) - first).days + 1))
    stop = next((found for at in off if (found := stop_on(site, at)) is not None), None)
    if stop is not None:
        return Pause(first_day=first, last_day=last, why="stop", names=(stop.reason,) if stop.reason else ())
    if last is None or last < first or all(at.weekday() not in site.working_days for at in off):
        return None
    public = [public_holidays(site.holiday_country, site.holiday_state, at.year).get(at, "") for at in off]
    return Pause(first_day=first, last_day=last, why="holiday", names=tuple(dict.fromkeys(filter(None, public))))
