"""When a site does not work: typed holidays, public ones of a country and state, times of standing still, its end."""

from __future__ import annotations

import importlib.util
from datetime import date
from typing import Any

from gonogo.config.lines import Loc
from gonogo.config.tables import SiteTable, StopTable
from gonogo.config.toml_file import ConfigFile
from gonogo.records.ranges import FIRST_YEAR, LAST_YEAR
from gonogo.records.site import Stop

NO_LIBRARY = "needs the library holidays, which is not installed."
INSTALL = 'Install it (pip install "gonogo[holidays]"), or delete this key and list the dates in holidays = [...].'


def read_days_off(file: ConfigFile, head: SiteTable) -> dict[str, Any]:
    """Return what a Site holds of its days off, by field; every fault in it is noted on the file."""
    for key in ("holidays", "working_dates"):
        for n, day in enumerate(getattr(head, key)):
            _check_year(file, ("site", key, n), day)
    for n, day in enumerate(head.working_dates):
        if day in head.holidays:
            right = "Delete it in one of the two."
            file.add_fault(("site", "working_dates", n), "stands among site.holidays too.", right)
    if head.ends_on is not None:
        _check_year(file, ("site", "ends_on"), head.ends_on)
    for n, stop in enumerate(head.stop):
        _check_stop(file, ("site", "stop", n), stop)
    _check_country(file, head)
    return {
        "holidays": tuple(sorted(set(head.holidays))),
        "working_dates": tuple(sorted(set(head.working_dates))),
        "holiday_country": head.holiday_country or "",
        "holiday_state": head.holiday_state or "",
        "stops": tuple(Stop(first_day=s.first_day, last_day=s.last_day, reason=s.reason) for s in head.stop),
        "ends_on": head.ends_on,
    }


def _check_year(file: ConfigFile, loc: Loc, day: date) -> None:
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        file.add_fault(loc, "lies in no year of this century.", "Write, for example, 2026-05-25.")


def _check_stop(file: ConfigFile, loc: Loc, stop: StopTable) -> None:
    for key in ("first_day", "last_day"):
        _check_year(file, (*loc, key), getattr(stop, key))
    if stop.last_day < stop.first_day:
        right = "Write the last day on which the site stands still: the day before work begins again."
        file.add_fault((*loc, "last_day"), f"is before first_day = {stop.first_day}.", right)


def _check_country(file: ConfigFile, head: SiteTable) -> None:
    """Add a fault for a country or state whose public holidays nobody here knows."""
    loc: Loc = ("site", "holiday_country")
    if head.holiday_country is None:
        if head.holiday_state is not None:
            right = 'Name its country too, for example holiday_country = "US".'
            file.add_fault(("site", "holiday_state"), "stands without site.holiday_country.", right)
        return
    if importlib.util.find_spec("holidays") is None:
        file.add_fault(loc, NO_LIBRARY, INSTALL)
        return
    import holidays

    countries, country = holidays.list_supported_countries(include_aliases=False), head.holiday_country
    if country not in countries:
        meant = next((code for code in countries if code == country.upper()[:2]), None)
        hint = f'Did you mean "{meant}"? ' if meant else ""
        right = f'{hint}Write the two letters of ISO 3166, for example "US" or "ES".'
        file.add_fault(loc, "is no country whose public holidays are known here.", right)
        return
    state, states = head.holiday_state, countries[country]
    if state is not None and state not in states:
        # A name, "Iowa", is answered by its code; by spelling alone it would come out as another state.
        aliases = holidays.country_holidays(country).get_subdivision_aliases()
        meant = next((code for code, names in aliases.items() if state.casefold() in _folded(code, *names)), None)
        listed = f"Write one of: {', '.join(states)}." if states else "Delete it: all of the country has the same ones."
        right = f'Did you mean "{meant}"?' if meant else listed
        file.add_fault(("site", "holiday_state"), f"is no part of {country} that is known here.", right)


def _folded(*names: str) -> set[str]:
    return {name.casefold() for name in names}
