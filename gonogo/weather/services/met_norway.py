"""MET Norway Locationforecast 2.0: the whole world, no key, hours at first and steps of six hours later.

Contract: https://api.met.no/weatherapi/locationforecast/2.0/documentation and https://api.met.no/doc/. Times are UTC;
an `instant` holds AT its time, a period BEGINS at it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from gonogo.records.site import Site
from gonogo.times import as_datetime
from gonogo.units import wind_2m_m_s
from gonogo.weather.answer_size import require_rows
from gonogo.weather.notes import Note, note
from gonogo.weather.services import Floats, Request, WeatherService, json_body, numbers, refused, truncated_deg
from gonogo.weather.sunlight import completed
from gonogo.weather.table import COLUMNS, ParsedForecast

if TYPE_CHECKING:
    import pandas as pd  # takes long to import: where a table is at hand

NAME = "met_norway"
URL = "https://api.met.no/weatherapi/locationforecast/2.0/complete"
ATTRIBUTION = (
    ("Data from MET Norway", "https://www.met.no/"),
    ("CC BY 4.0", "https://creativecommons.org/licenses/by/4.0/"),
)
WIND_HEIGHT_M = 10.0
BEGINS_WITHIN_H = 12  # an answer begins around the hour in which it was made; our own choice
MAX_STEP_H = 6  # the longest step whose states are drawn in a straight line; a longer one is a gap
STATES: Mapping[str, tuple[str, str, float]] = {  # theirs -> (ours, their unit, factor)
    "air_temperature": ("temp_degc", "celsius", 1.0),
    "relative_humidity": ("rh_pct", "%", 1.0),
    "wind_speed": ("wind_2m_m_s", "m/s", wind_2m_m_s(1.0, WIND_HEIGHT_M)),
    "cloud_area_fraction": ("cloud_pct", "%", 1.0),
    "dew_point_temperature": ("dew_point_degc", "celsius", 1.0),
}
PERIODS: Mapping[str, tuple[str, str, float]] = {
    "precipitation_amount": ("precip_mm", "mm", 1.0),
    "probability_of_precipitation": ("rain_chance", "%", 0.01),
    "probability_of_thunder": ("thunder_chance", "%", 0.01),
}
# A word of the symbol's name -> WMO code 4677 as other services give it; the first that fits.
SYMBOL_CODES = (
    ("thunder", 95.0),
    ("snow", 73.0),
    ("sleet", 68.0),
    ("rain", 61.0),
    ("fog", 45.0),
    ("partlycloudy", 2.0),
    ("cloudy", 3.0),
    ("fair", 1.0),
    ("clearsky", 0.0),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Step:
    """One entry of the series: its states, and the period that stands for the hours up to the next entry."""

    at_s: int
    states: Mapping[str, object]
    period: Mapping[str, object]
    symbol: str
    n_hours: int  # of the period as given, 0 where there is none


def request(sites: Sequence[Site], now_utc: datetime, base_url: str | None, key: str | None, contact: str) -> Request:
    """Return the request for one site: at most four decimals, whole metres."""
    site = sites[0]
    return Request(
        url=base_url or URL,
        params={
            "lat": truncated_deg(site.latitude_deg),
            "lon": truncated_deg(site.longitude_deg),
            "altitude": f"{site.elevation_m:.0f}",
        },
    )


def parse(body: bytes, site: Site) -> ParsedForecast:
    """Return the table of an answer.

    Hours come as they are. In steps of two to six hours the states are drawn in a straight line from step to step, the
    amount of a period is spread evenly over its hours, and its chance of rain is kept for each of them.

    Raises WeatherError: passing where the body is no JSON, not passing where its content cannot be used.
    """
    feature = json_body(NAME, body)
    properties = feature.get("properties") if isinstance(feature, dict) else None
    geometry = feature.get("geometry") if isinstance(feature, dict) else None
    if not isinstance(properties, dict) or not isinstance(geometry, dict):
        raise refused(NAME, "body", repr(feature)[:40], "this is no forecast.", "A GeoJSON Feature is right.")
    longitude_deg, latitude_deg = _place(geometry.get("coordinates"))
    meta = properties.get("meta")
    units = meta.get("units") if isinstance(meta, dict) else None
    if not isinstance(meta, dict) or not isinstance(units, dict):
        raise refused(NAME, "properties.meta.units", "nothing", "the units are missing.", "Units by name are right.")
    steps = _steps(properties.get("timeseries"))
    stamp_utc = np.array([step.at_s for step in steps], dtype=np.int64).astype("datetime64[s]")
    steps.sort(key=lambda step: step.at_s)
    notes: list[Note] = []
    states = _columns(STATES, units, [step.states for step in steps], notes)
    periods = _columns(PERIODS, units, [step.period for step in steps], notes)
    table, first_long_utc = _table(steps, states, periods)
    if first_long_utc is not None:
        notes.append(note("long_steps", from_utc=as_datetime(first_long_utc)))
    parsed = ParsedForecast(
        service=NAME,
        attribution=ATTRIBUTION,
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        table=table,
        stamp_utc=stamp_utc,
        notes=tuple(notes),
        issued_utc=_issued(meta.get("updated_at")),
    )
    return completed(parsed, site)


def _place(coordinates: object) -> tuple[float, float]:
    """Return (longitude, latitude) of GeoJSON coordinates."""
    if not isinstance(coordinates, list) or len(coordinates) < 2:
        raise refused(NAME, "geometry.coordinates", repr(coordinates)[:40], "no place.", "[lon, lat, alt] is right.")
    for value, most_deg in zip(coordinates, (180.0, 90.0), strict=False):
        if type(value) not in (int, float) or not -most_deg <= value <= most_deg:
            raise refused(NAME, "geometry.coordinates", repr(value)[:40], "no coordinate.", "Degrees are right.")
    return float(coordinates[0]), float(coordinates[1])


def _seconds(text: object) -> int:
    """Return a time in UTC as seconds since 1970."""
    try:
        at = datetime.fromisoformat(text) if isinstance(text, str) else None
        if at is not None and at.tzinfo is not None:
            return int(at.timestamp())
    except (ValueError, OverflowError):
        pass
    raise refused(NAME, "time", repr(text)[:40], "this is no time in UTC.", "2026-05-12T05:00:00Z is right.")


def _issued(text: object) -> datetime | None:
    """Return when the model's forecast was made, None where the service does not say so readably."""
    try:
        at = datetime.fromisoformat(text) if isinstance(text, str) else None
    except ValueError:
        return None
    return at.astimezone(UTC) if at is not None and at.tzinfo is not None else None


def _steps(series: object) -> list[_Step]:
    """Return the entries of the series in the order in which they came."""
    if not isinstance(series, list) or not series:
        raise refused(NAME, "properties.timeseries", repr(series)[:40], "there are no times.", "A list is right.")
    require_rows(NAME, "timeseries", len(series))
    steps = []
    for entry in series:
        data = entry.get("data") if isinstance(entry, dict) else None
        if not isinstance(entry, dict) or not isinstance(data, dict):
            raise refused(NAME, "timeseries", repr(entry)[:40], "an entry has no data.", "time and data are right.")
        period, n_hours = None, 0
        for name, hours in (("next_1_hours", 1), ("next_6_hours", 6)):
            if isinstance(found := data.get(name), dict):
                period, n_hours = found, hours
                break
        summary = _inner(period, "summary").get("symbol_code")
        steps.append(
            _Step(
                at_s=_seconds(entry.get("time")),
                states=_inner(data.get("instant"), "details"),
                period=_inner(period, "details"),
                symbol=summary if isinstance(summary, str) else "",
                n_hours=n_hours,
            )
        )
    return steps


def _inner(outer: object, name: str) -> Mapping[str, object]:
    """Return an object inside another, empty where there is none."""
    inner = outer.get(name) if isinstance(outer, dict) else None
    return inner if isinstance(inner, dict) else {}


def _columns(
    wanted: Mapping[str, tuple[str, str, float]],
    units: Mapping[str, object],
    entries: Sequence[Mapping[str, Any]],
    notes: list[Note],
) -> dict[str, Floats]:
    """Return our columns over the entries, NaN where an entry has no such value."""
    found = {}
    for theirs, (ours, unit, factor) in wanted.items():
        values = numbers(NAME, theirs, [entry.get(theirs) for entry in entries], len(entries))
        if np.isnan(values).all():
            continue
        if units.get(theirs, unit if theirs.startswith("probability") else None) != unit:
            shown = repr(units.get(theirs))[:40]
            if COLUMNS[ours].is_essential:
                raise refused(NAME, f"units.{theirs}", shown, "this unit is not known.", f"{unit} is right.")
            notes.append(note("unit_unknown", name=theirs, unit=shown))
            continue
        found[ours] = values * factor
    return found


def _table(
    steps: Sequence[_Step], states: Mapping[str, Floats], periods: Mapping[str, Floats]
) -> tuple[pd.DataFrame, np.datetime64 | None]:
    """Return the rows of every hour, and the first stamp whose step is longer than one hour."""
    import pandas as pd

    at_s = np.array([step.at_s for step in steps], dtype=np.int64)
    distinct = np.unique(at_s)
    following = np.append(distinct, distinct[-1])[np.searchsorted(distinct, at_s) + 1]
    step_h = (following - at_s) // 3600
    given_h = np.array([step.n_hours for step in steps])
    # A state for its own hour; inside a longer step also for the hours up to the next one.
    rows = [pd.DataFrame({"hour_utc": at_s.astype("datetime64[s]"), **states})]
    long = np.flatnonzero((step_h > 1) & (step_h <= MAX_STEP_H))
    first_long = at_s[long[0]].astype("datetime64[s]") if len(long) else None
    if len(long):
        between = np.concatenate([at_s[i] + 3600 * np.arange(1, step_h[i]) for i in long])
        filled = {}
        for name, values in states.items():
            known = ~np.isnan(values)
            filled[name] = np.interp(between, at_s[known], values[known], left=np.nan, right=np.nan)
        rows.append(pd.DataFrame({"hour_utc": between.astype("datetime64[s]"), **filled}))
    # A period for each of its hours up to the next entry: longer ones overlap the next entry's own.
    n_rows = np.where(given_h == 1, 1, np.minimum(given_h, step_h)) * (step_h > 0)
    source = np.repeat(np.arange(len(steps)), n_rows)
    hour_s = at_s[source] + 3600 * (np.arange(len(source)) - np.repeat(np.cumsum(n_rows) - n_rows, n_rows))
    code = np.array([_code(step.symbol) for step in steps])
    spread: dict[str, npt.NDArray[Any]] = {
        "hour_utc": hour_s.astype("datetime64[s]"),
        "chance_span_h": given_h[source].astype(np.float64),
        "weather_code": code[source],
    }
    for name, values in periods.items():
        spread[name] = values[source] / given_h[source] if name == "precip_mm" else values[source]
    rows.append(pd.DataFrame(spread))
    return pd.concat(rows, ignore_index=True).reindex(columns=["hour_utc", *COLUMNS]), first_long


def _code(symbol: str) -> float:
    """Return the WMO code that a symbol's name stands for, NaN where it says nothing."""
    return next((code for word, code in SYMBOL_CODES if word in symbol), np.nan)


def licence_note(key: str | None) -> str:
    """Return what the licence allows; there is no key."""
    return (
        "met_norway: no key is needed; commercial use is allowed; it asks for a mail address (operator or contact). "
        "Data CC BY 4.0: the credit stands in every mail. It gives no past rain and no radiation: rain comes from the "
        "gauge and from earlier forecasts, radiation from cloud cover."
    )


SERVICE = WeatherService(
    name=NAME,
    title="MET Norway",
    attribution=ATTRIBUTION,
    licence_note=licence_note,
    commercial_needs_key=False,
    needs_contact=True,
    request=request,
    parse=parse,
    begins=lambda at_utc: (at_utc - timedelta(hours=BEGINS_WITHIN_H), at_utc + timedelta(hours=BEGINS_WITHIN_H)),
    spacing_s=0.1,
    waits_for_limit=False,
    avoids_full_hour=True,
)
