"""Open-Meteo: past days, days ahead, radiation and chance of rain in one call.

Contract: https://open-meteo.com/en/docs. A stamp means the value AT it, or the sum or mean of the hour that ENDS at it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt

from gonogo.errors import WeatherError
from gonogo.records.foreign_text import one_line
from gonogo.records.site import Site
from gonogo.units import (
    M_S_PER_KM_H,
    M_S_PER_KNOT,
    M_S_PER_MILE_H,
    METRE_PER_FOOT,
    MM_PER_INCH,
    degc_from_degf,
    wind_2m_m_s,
)
from gonogo.weather.checks import distance_km
from gonogo.weather.notes import Note, note
from gonogo.weather.services import Floats, Request, WeatherService, json_body, json_slices, numbers, refused, stamps
from gonogo.weather.sunlight import completed
from gonogo.weather.table import COLUMNS, ParsedForecast, code_of_hour, hour_rows

NAME = "open_meteo"
FREE_URL = "https://api.open-meteo.com/v1/forecast"
CUSTOMER_URL = "https://customer-api.open-meteo.com/v1/forecast"
ATTRIBUTION = (
    ("Weather data by Open-Meteo.com", "https://open-meteo.com/"),
    ("CC BY 4.0", "https://creativecommons.org/licenses/by/4.0/"),
)
PAST_DAYS = 15  # 14 days of recent rain and one spare, because days are cut in GMT
FORECAST_DAYS = 12  # 10 days ahead, today and one spare
WIND_HEIGHT_M = 10.0
CLOCK_SEAM = timedelta(minutes=20)  # around midnight in GMT nobody knows which day the service counted from
SNOW_WATER_MM_PER_CM = 10.0 / 7.0  # the service's own ratio: 7 cm of snow are 10 mm of water

Convert = Callable[[Any], Any]


def _same(value: Any) -> Any:
    return value


def _times(factor: float) -> Convert:
    return lambda value: value * factor


TEMPERATURE: Mapping[str, Convert] = {"°C": _same, "°F": degc_from_degf}
DEPTH: Mapping[str, Convert] = {"mm": _same, "inch": _times(MM_PER_INCH)}
SPEED: Mapping[str, Convert] = {
    "m/s": _same,
    "km/h": _times(M_S_PER_KM_H),
    "mp/h": _times(M_S_PER_MILE_H),
    "kn": _times(M_S_PER_KNOT),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Mapped:
    """One column: our name, their name, conversions from their units by name, and to which hour a stamp belongs."""

    ours: str
    theirs: str
    units: Mapping[str, Convert]
    is_sum: bool


def _wind_2m(convert: Convert) -> Convert:
    return lambda value: wind_2m_m_s(convert(value), WIND_HEIGHT_M)


COLUMN_MAP: tuple[Mapped, ...] = (
    Mapped(ours="temp_degc", theirs="temperature_2m", units=TEMPERATURE, is_sum=False),
    Mapped(ours="rh_pct", theirs="relative_humidity_2m", units={"%": _same}, is_sum=False),
    Mapped(
        ours="wind_2m_m_s",
        theirs="wind_speed_10m",
        units={name: _wind_2m(convert) for name, convert in SPEED.items()},
        is_sum=False,
    ),
    Mapped(ours="pressure_kpa", theirs="surface_pressure", units={"hPa": _times(0.1)}, is_sum=False),
    Mapped(ours="shortwave_w_m2", theirs="shortwave_radiation", units={"W/m²": _same}, is_sum=True),
    Mapped(ours="precip_mm", theirs="precipitation", units=DEPTH, is_sum=True),
    Mapped(
        ours="snow_mm",
        theirs="snowfall",
        units={"cm": _times(SNOW_WATER_MM_PER_CM), "inch": _times(MM_PER_INCH / 10.0 * SNOW_WATER_MM_PER_CM)},
        is_sum=True,
    ),
    Mapped(
        ours="snow_depth_mm",
        theirs="snow_depth",
        units={"m": _times(1000.0), "ft": _times(1000.0 * METRE_PER_FOOT)},
        is_sum=False,
    ),
    Mapped(ours="rain_chance", theirs="precipitation_probability", units={"%": _times(0.01)}, is_sum=True),
    Mapped(ours="surface_temp_degc", theirs="soil_temperature_0cm", units=TEMPERATURE, is_sum=False),
    Mapped(ours="weather_code", theirs="weather_code", units={"wmo code": _same}, is_sum=False),
    Mapped(ours="cloud_pct", theirs="cloud_cover", units={"%": _same}, is_sum=False),
    Mapped(ours="dew_point_degc", theirs="dew_point_2m", units=TEMPERATURE, is_sum=False),
    Mapped(ours="service_et0_mm", theirs="et0_fao_evapotranspiration", units=DEPTH, is_sum=True),
)

# Dew point and reference evapotranspiration are for weather/agreement.py.
ASKED = (
    "temperature_2m",
    "relative_humidity_2m",
    "dew_point_2m",
    "precipitation",
    "precipitation_probability",
    "shortwave_radiation",
    "wind_speed_10m",
    "surface_pressure",
    "et0_fao_evapotranspiration",
    "snowfall",
    "snow_depth",
    "soil_temperature_0cm",
    "weather_code",
)


def place_params(sites: Sequence[Site]) -> dict[str, str]:
    """Return the parameters that name the places, in the order of the sites, and the form of the answer."""
    return {
        "latitude": ",".join(f"{site.latitude_deg:.4f}" for site in sites),
        "longitude": ",".join(f"{site.longitude_deg:.4f}" for site in sites),
        "elevation": ",".join(f"{site.elevation_m:.0f}" for site in sites),
        "past_days": str(PAST_DAYS),
        "forecast_days": str(FORECAST_DAYS),
        "wind_speed_unit": "ms",
        "timezone": "GMT",
        "timeformat": "unixtime",
    }


def request(sites: Sequence[Site], now_utc: datetime, base_url: str | None, key: str | None, contact: str) -> Request:
    """Return the request for sites: hours in GMT as seconds since 1970, a spare day on both sides, wind in m/s.

    With a key the customer host is asked directly: the free host would answer with a redirect that carries the key.
    The moment is not part of the request: the service counts days from its own today.
    """
    free = base_url is None or base_url.rstrip("/") == FREE_URL
    return Request(
        url=(CUSTOMER_URL if key else FREE_URL) if free else str(base_url),
        params=place_params(sites) | {"hourly": ",".join(ASKED)},
        headers={"X-Api-Key": key} if key else {},
    )


def begins(asked_utc: datetime) -> tuple[datetime, datetime]:
    """Return the first stamp of an answer to our request: 0:00 GMT, PAST_DAYS before the service's today."""
    earliest, latest = (
        (asked_utc + seam).replace(hour=0, minute=0, second=0, microsecond=0) - timedelta(days=PAST_DAYS)
        for seam in (-CLOCK_SEAM, CLOCK_SEAM)
    )
    return earliest, latest


def parse(body: bytes, site: Site) -> ParsedForecast:
    """Return the table of an answer; of a list (many sites) the place nearest to the site.

    Raises WeatherError: passing where the body is no JSON, not passing where its content cannot be used.
    """
    place = nearest_place(NAME, body, site)
    hourly, units = hourly_table(NAME, place)
    stamp_utc = stamps(NAME, hourly.get("time"), units.get("time"), place.get("utc_offset_seconds"))
    at_stamp, before_stamp, notes = columns(NAME, hourly, units, stamp_utc, {c.theirs: c.theirs for c in COLUMN_MAP})
    parsed = ParsedForecast(
        service=NAME,
        attribution=ATTRIBUTION,
        latitude_deg=place["latitude"],
        longitude_deg=place["longitude"],
        table=hour_rows(stamp_utc, at_stamp=at_stamp, before_stamp=before_stamp),
        stamp_utc=stamp_utc,
        notes=tuple(notes),
    )
    return completed(parsed, site)


def nearest_place(service: str, body: bytes, site: Site) -> dict[str, Any]:
    """Return the object of the place nearest to the site."""
    decoded = json_body(service, body)
    return _nearest(service, decoded if isinstance(decoded, list) else [decoded], site)


def hourly_table(service: str, place: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return the hourly columns of a place and their units."""
    hourly, units = place.get("hourly"), place.get("hourly_units")
    if not isinstance(hourly, dict) or not isinstance(units, dict):
        raise refused(service, "hourly", "nothing", "the answer has no hourly table with units.", "Both are right.")
    return hourly, units


def columns(
    service: str,
    hourly: Mapping[str, Any],
    units: Mapping[str, Any],
    stamp_utc: npt.NDArray[np.datetime64],
    stands_as: Mapping[str, str],
) -> tuple[dict[str, Floats], dict[str, Floats], list[Note]]:
    """Return (columns of states, columns of sums, notes) of a table in our names and units.

    stands_as   by the service's name of a variable the name of the column in which it stands
    """
    notes: list[Note] = []
    at_stamp: dict[str, Floats] = {}
    before_stamp: dict[str, Floats] = {}
    for column in COLUMN_MAP:
        name = stands_as.get(column.theirs, "")
        if name not in hourly:
            continue
        values = numbers(service, f"hourly.{name}", hourly[name], len(stamp_utc))
        if np.isnan(values).all():
            continue  # a model without this variable: its unit is then "undefined"
        unit = str(units.get(name))
        if unit not in column.units and not COLUMNS[column.ours].is_essential:
            notes.append(note("unit_unknown", name=name, unit=repr(unit[:20])))
            continue
        if unit not in column.units:
            raise refused(
                service,
                f"hourly_units.{name}",
                repr(unit),
                "this unit is not known.",
                f"One of {', '.join(column.units)} is right.",
            )
        with np.errstate(over="ignore"):  # what is too great for a number is too great for the checks
            converted = np.asarray(column.units[unit](values), dtype=np.float64)
        (before_stamp if column.is_sum else at_stamp)[column.ours] = converted
    if "weather_code" in at_stamp:
        at_stamp["weather_code"] = code_of_hour(at_stamp["weather_code"], stamp_utc)
    return at_stamp, before_stamp, notes


def _nearest(service: str, places: Sequence[object], site: Site) -> dict[str, Any]:
    """Return the place nearest to the site; refuse an error body and what has no coordinates."""
    with_place: list[dict[str, Any]] = []
    for place in places:
        if not isinstance(place, dict):
            raise refused(service, "body", repr(place)[:40], "this is no forecast.", "A JSON object is right.")
        if place.get("error"):
            reason = one_line(str(place.get("reason", "no reason given")), most=200)
            raise WeatherError(
                f"{service}: the service answers with an error: {reason.rstrip('.')}. No forecast came.", passing=True
            )
        for key, most_deg in (("latitude", 90.0), ("longitude", 180.0)):
            value: Any = place.get(key)
            if type(value) not in (int, float) or not -most_deg <= value <= most_deg:
                raise refused(service, key, repr(value)[:40], "this is no coordinate.", "Degrees are right.")
        with_place.append(place)
    if not with_place:
        raise refused(service, "body", "[]", "the list of places is empty.", "One place or more is right.")

    def away_km(place: dict[str, Any]) -> float:
        return distance_km(site.latitude_deg, site.longitude_deg, place["latitude"], place["longitude"])

    return min(with_place, key=away_km)


def licence_note(key: str | None) -> str:
    """Return what the licence allows with or without a key."""
    if key:
        return (
            "open_meteo: a key is set, the customer host is asked; commercial use is allowed as far as the plan says. "
            "Data CC BY 4.0: the credit stands in every mail."
        )
    return (
        "open_meteo: no key is set, the free host is asked; it is for non-commercial use only. "
        "A contractor needs a key, or the services met_norway or nws. Data CC BY 4.0: the credit stands in every mail."
    )


SERVICE = WeatherService(
    name=NAME,
    title="Open-Meteo",
    attribution=ATTRIBUTION,
    licence_note=licence_note,
    commercial_needs_key=True,
    needs_contact=False,
    request=request,
    parse=parse,
    max_sites=100,
    split=partial(json_slices, NAME),
    begins=begins,
)
