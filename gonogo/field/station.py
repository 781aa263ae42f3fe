"""The file of the weather station that a contract names: one line a date, into the site's book and nowhere else."""

from __future__ import annotations

import csv
import io
import math
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import sqlalchemy as sa

from gonogo import times
from gonogo.config import Config
from gonogo.errors import ConfigError, Fault
from gonogo.field.row import TypedRow
from gonogo.records.field import StationDay
from gonogo.records.ranges import FIRST_YEAR, LAST_YEAR
from gonogo.records.site import Site
from gonogo.store import history, schema, span
from gonogo.store.open import open_store

# Column of the file -> field of StationDay.
COLUMNS = {
    "rain_mm": "rain_mm",
    "temp_min_c": "temp_min_degc",
    "temp_max_c": "temp_max_degc",
    "wind_max_m_s": "wind_max_m_s",
    "snow_lying_mm": "snow_lying_mm",
}
HEADER = "The first line names day and what the station has of: " + ", ".join(COLUMNS) + "."


def parse(text: str, place: str, site: Site, now_utc: datetime) -> tuple[StationDay, ...]:
    """Return what the contract's station read, by date.

    Raises ConfigError with every line at fault, and where the config names no station; then nothing may be stored.
    """
    if not site.contract_station:
        wrong, right = "the config names no station of the contract.", 'Write contract_station = "..." under [site].'
        raise ConfigError([_fault(place, "contract_station", "", wrong, right)])
    try:
        rows = list(csv.DictReader(io.StringIO(text.removeprefix("\ufeff")), strict=True))
    except csv.Error as error:
        raise ConfigError([_fault(place, "row", "", f"is no line of a table: {error}.", HEADER)]) from error
    names = {name for name in (rows[0] if rows else {}) if name}
    if "day" not in names or not names & set(COLUMNS) or names - {"day", *COLUMNS}:
        raise ConfigError([_fault(f"{place}:1", "header", ", ".join(sorted(names)), "columns not known.", HEADER)])
    faults: list[Fault] = []
    found: dict[date, StationDay] = {}
    for n, fields in enumerate(rows, start=2):
        row = TypedRow(f"{place}:{n}", {k: v or "" for k, v in fields.items() if k}, site, now_utc)
        read = _read(row, site)
        if read is not None and read.day in found:
            row.add_fault("day", "stands in the file twice.", "One line a date.")
        faults += row.faults
        if read is not None:
            found[read.day] = read
    if faults:
        raise ConfigError(faults)
    return tuple(found[day] for day in sorted(found))


def _read(row: TypedRow, site: Site) -> StationDay | None:
    """One line, None where its date is at fault."""
    today = times.local_date(row.now_utc, site.zone)
    try:
        day = date.fromisoformat(row.text("day"))
    except ValueError:
        row.add_fault("day", "not a date.", "Write, for example, 2026-05-12.")
        return None
    if not FIRST_YEAR <= day.year <= LAST_YEAR or day > today:
        wrong = f"lies in the future: today is {today}." if day > today else "lies in no year of this century."
        row.add_fault("day", wrong, "Write the day that the values are of.")
        return None
    values: dict[str, Any] = {}
    for name, field in COLUMNS.items():
        value = row.number(name, "Leave it empty where the station has nothing.", required=False)
        values[field] = None if math.isnan(value) else value
    low, high = values["temp_min_degc"], values["temp_max_degc"]
    if low is not None and high is not None and low > high:
        row.add_fault("temp_min_c", f"is above temp_max_c = {high:g}.", "Check the two columns.")
    return StationDay(station=site.contract_station, day=day, **values)


def record(config: Config, site: Site, text: str, place: str, now_utc: datetime) -> str:
    """Store a station's file and say what was stored; a date that says something new replaces what stood there."""
    days = parse(text, place, site, now_utc)
    if not days:
        return "No line, nothing stored."
    store = open_store(config)
    try:
        with schema.begin(store) as connection:
            known = span.station_days(
                connection, site.id, _begins_utc(site, days[0].day), _begins_utc(site, days[-1].day + timedelta(days=1))
            )
            n_new, n_other = 0, 0
            for read in days:
                before = known.get((read.station, read.day))
                if before is None or before.entry != read:
                    _store(connection, site, read, before, now_utc)
                    n_new, n_other = n_new + (before is None), n_other + (before is not None)
    finally:
        store.dispose()
    same = len(days) - n_new - n_other
    return f"{site.contract_station}: {n_new} days stored, {n_other} corrected, {same} known already."


def _store(
    connection: sa.Connection,
    site: Site,
    read: StationDay,
    before: history.StoredEntry | None,
    now_utc: datetime,
) -> None:
    arrival = history.Arrival(entered_utc=now_utc, entered_by="station file")
    corrects_id = None if before is None else before.id
    at_utc = _begins_utc(site, read.day)
    history.add_station_day(connection, site.id, read, arrival, at_utc=at_utc, corrects_id=corrects_id)


def _begins_utc(site: Site, day: date) -> datetime:
    return times.moment_utc(day, time(0), site.zone).astimezone(UTC)


def _fault(place: str, key: str, value: str, wrong: str, right: str) -> Fault:
    return Fault(place=place, key=key, value=value, wrong=wrong, right=f"{right} Nothing was stored.")
