"""The tables of the site's book: one record per row, each field a column with its unit and what it says.

Values of the forecast, of the model, of the weather service's later account, of the site's own gauge and of the
contract's station stand in columns of their own, named by where they come from; none fills in for another. Words of
tests follow ISO 19156 (observations and measurements): phenomenon time, result time, procedure. Moments are UTC, days
are the site's local dates; an empty cell means unknown or not applicable.
"""

from __future__ import annotations

import types
import typing
from dataclasses import dataclass
from datetime import date, datetime
from typing import Annotated, Any, NamedTuple


class ColumnFormat(NamedTuple):
    """What a column says, its unit as UCUM writes it, and the decimals that are printed."""

    says: str
    unit: str = ""
    decimals: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WeatherDay:
    """One local date of the site's weather; `service_*` from an answer that came after the date was over."""

    day: Annotated[date, ColumnFormat("local date")]
    is_working_day: Annotated[bool, ColumnFormat("the site's calendar has it as a working day")]
    service: Annotated[
        str | None,
        ColumnFormat("weather service of the service_ columns, empty where none accounted for the day later"),
    ]
    service_fetched_utc: Annotated[datetime | None, ColumnFormat("when that answer came")]
    service_rain_mm: Annotated[float | None, ColumnFormat("rain of the date by the service's later account", "mm", 1)]
    service_snow_mm: Annotated[float | None, ColumnFormat("snow of the date, as water", "mm", 1)]
    service_rain_in_shift_h: Annotated[
        float | None, ColumnFormat("hours of the shift with at least 0.1 mm of rain", "h", 0)
    ]
    service_temp_min_degc: Annotated[float | None, ColumnFormat("least hourly air temperature", "Cel", 1)]
    service_temp_max_degc: Annotated[float | None, ColumnFormat("greatest hourly air temperature", "Cel", 1)]
    service_wind_max_2m_m_s: Annotated[float | None, ColumnFormat("greatest hourly wind, at 2 m", "m/s", 1)]
    service_frost_h: Annotated[float | None, ColumnFormat("hours with air below 0 degrees Celsius", "h", 0)]
    forecast_rain_mm: Annotated[
        float | None, ColumnFormat("rain of the date as the morning's mail foresaw it", "mm", 1)
    ]
    forecast_rain_chance: Annotated[
        float | None, ColumnFormat("chance of at least 1 mm, as the morning foresaw it", "1", 2)
    ]
    gauge_rain_mm: Annotated[
        float | None, ColumnFormat("rain caught by the site's own gauge, shared over its periods by hours", "mm", 1)
    ]
    station: Annotated[str | None, ColumnFormat("the contract's weather station, as its readings were imported")]
    station_rain_mm: Annotated[float | None, ColumnFormat("rain at that station", "mm", 1)]
    station_temp_min_degc: Annotated[float | None, ColumnFormat("least air temperature at that station", "Cel", 1)]
    station_temp_max_degc: Annotated[float | None, ColumnFormat("greatest air temperature at that station", "Cel", 1)]
    station_wind_max_m_s: Annotated[
        float | None, ColumnFormat("greatest wind at that station, at its own height", "m/s", 1)
    ]
    station_snow_lying_mm: Annotated[float | None, ColumnFormat("snow lying at that station", "mm", 0)]


@dataclass(frozen=True, slots=True, kw_only=True)
class StripDay:
    """One strip on one local date: what it was told last in each edition, and what was done by the entries."""

    day: Annotated[date, ColumnFormat("local date")]
    strip: Annotated[str, ColumnFormat("strip id")]
    told_utc: Annotated[datetime, ColumnFormat("when the run ended that told it")]
    edition: Annotated[str, ColumnFormat('"morning", or the re-check that told it')]
    verdict: Annotated[str, ColumnFormat("compact, water or wait")]
    reason: Annotated[str, ColumnFormat("the row of the rules that decided, by its key")]
    roll_from_utc: Annotated[datetime | None, ColumnFormat("first hour of the told rolling window")]
    roll_until_utc: Annotated[datetime | None, ColumnFormat("end of the told rolling window")]
    chance_in_window: Annotated[float | None, ColumnFormat("chance of lying inside its window, as it was told", "1", 2)]
    model_w_pct: Annotated[
        float | None, ColumnFormat("the model's water content as work begins, per cent of dry mass", "%", 1)
    ]
    litres_told: Annotated[float | None, ColumnFormat("water told", "L", 0)]
    litres_recorded: Annotated[float, ColumnFormat("water recorded as put on during the date", "L", 0)]
    work_recorded: Annotated[
        str, ColumnFormat("surface work, and what was seen of the ground, recorded during the date, in order")
    ]
    lost_h: Annotated[
        float | None, ColumnFormat("hours of the shift in which it could not be rolled; empty on days off", "h", 1)
    ]
    lost_to: Annotated[str, ColumnFormat("what most of these hours were lost to")]


@dataclass(frozen=True, slots=True, kw_only=True)
class TestRow:
    """One moisture or density test in force."""

    __test__ = False  # the name begins as pytest's classes do

    entry: Annotated[int | None, ColumnFormat("number of the entry, empty where the config file gives the test")]
    strip: Annotated[str, ColumnFormat("strip id: the feature of interest")]
    lift: Annotated[int, ColumnFormat("which recorded lift of the strip, from 1")]
    phenomenon_time_utc: Annotated[datetime, ColumnFormat("when the soil was as it was measured")]
    result_time_utc: Annotated[datetime | None, ColumnFormat("when the result was entered")]
    procedure: Annotated[str, ColumnFormat("method of the moisture test")]
    w_pct: Annotated[float, ColumnFormat("water content, per cent of dry mass", "%", 1)]
    dry_density_kg_m3: Annotated[float | None, ColumnFormat("dry density in place", "kg/m3", 0)]
    compaction_pct: Annotated[float | None, ColumnFormat("per cent of the laboratory's maximum dry density", "%", 1)]
    required_pct: Annotated[float | None, ColumnFormat("per cent that the specification requires", "%", 1)]
    is_passed: Annotated[
        bool | None, ColumnFormat("whether the required compaction was reached, empty where no density was measured")
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryRow:
    """One line of the log of entries, those out of force too."""

    entry: Annotated[int, ColumnFormat("number of the entry")]
    kind: Annotated[str, ColumnFormat("what it records")]
    strip: Annotated[str | None, ColumnFormat("strip id")]
    at_utc: Annotated[datetime | None, ColumnFormat("when it was measured or done; of rain, the end of its period")]
    entered_utc: Annotated[datetime, ColumnFormat("when it was entered")]
    entered_by: Annotated[str, ColumnFormat("the way it came")]
    note: Annotated[str, ColumnFormat("what was written beside it")]
    corrects: Annotated[int | None, ColumnFormat("number of the entry that this one replaces or withdraws")]
    corrected_by: Annotated[int | None, ColumnFormat("number of the entry that replaces or withdraws this one")]
    record: Annotated[str, ColumnFormat("the entry itself, as JSON")]


@dataclass(frozen=True, slots=True, kw_only=True)
class MailRow:
    """One mail of the outbox."""

    message_id: Annotated[str, ColumnFormat("Message-ID of the mail")]
    kind: Annotated[str, ColumnFormat("what it was for")]
    crew: Annotated[str, ColumnFormat("crew id")]
    role: Annotated[str, ColumnFormat("role of the reader")]
    name: Annotated[str, ColumnFormat("reader")]
    address: Annotated[str, ColumnFormat("address")]
    subject: Annotated[str, ColumnFormat("subject")]
    put_utc: Annotated[datetime, ColumnFormat("when it was put into the outbox")]
    settled_utc: Annotated[datetime | None, ColumnFormat("when it was sent or given up")]
    state: Annotated[str, ColumnFormat("what became of it")]
    tries: Annotated[int, ColumnFormat("how often its sending was begun")]
    fault: Annotated[str, ColumnFormat("the last fault on its way")]


Row = WeatherDay | StripDay | TestRow | EntryRow | MailRow
TABLES: dict[str, type[Row]] = {
    "weather_day": WeatherDay,
    "strip_day": StripDay,
    "test": TestRow,
    "entry": EntryRow,
    "mail": MailRow,
}

_TYPES: dict[type, str] = {
    bool: "boolean",
    int: "integer",
    float: "number",
    str: "string",
    date: "date",
    datetime: "datetime",
}


class Described(NamedTuple):
    """A column of a table: its name, its type as Table Schema names it, whether it may be empty, and what it says."""

    name: str
    type: str
    may_be_empty: bool
    column: ColumnFormat


def columns(kind: type[Row]) -> tuple[Described, ...]:
    """Return the columns of a table in their order."""
    return _COLUMNS[kind]


def _columns(kind: type[Row]) -> tuple[Described, ...]:
    found = []
    for name, hint in typing.get_type_hints(kind, include_extras=True).items():
        held, column = typing.get_args(hint)
        may_be_empty = isinstance(held, types.UnionType)
        plain = typing.get_args(held)[0] if may_be_empty else held
        found.append(Described(name, _TYPES[plain], may_be_empty, column))
    return tuple(found)


_COLUMNS = {kind: _columns(kind) for kind in TABLES.values()}


def cells(row: Row) -> list[str]:
    """Return a row as the text of its cells: numbers to their printed digit, moments as ISO 8601 in UTC."""
    return [_cell(getattr(row, found.name), found.column.decimals) for found in columns(type(row))]


def _cell(value: Any, decimals: int | None) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        shown = f"{value:.{decimals}f}" if decimals is not None else repr(value)
        return shown.removeprefix("-") if float(shown) == 0 else shown
    if isinstance(value, datetime):
        return f"{value:%Y-%m-%dT%H:%M:%SZ}"
    if isinstance(value, date):
        return value.isoformat()
    return str(value)
