"""The US National Weather Service: the USA and its territories, no key, layers of intervals on a grid.

Contract: https://weather-gov.github.io/api/. Two questions: which grid cell a place lies in, then that cell's layers.
Each value holds over its interval; an amount of rain is the total of its interval.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from gonogo.errors import WeatherError
from gonogo.records.foreign_text import one_line
from gonogo.records.site import Site
from gonogo.units import M_S_PER_KM_H, degc_from_degf, wind_2m_m_s
from gonogo.weather.answer_size import require_rows
from gonogo.weather.notes import Note, note
from gonogo.weather.services import Request, WeatherService, json_body, refused, truncated_deg
from gonogo.weather.sunlight import completed
from gonogo.weather.table import COLUMNS, ParsedForecast

if TYPE_CHECKING:
    import pandas as pd  # takes long to import: where a table is at hand

NAME = "nws"
URL = "https://api.weather.gov"
ACCEPT = {"Accept": "application/geo+json"}
ATTRIBUTION = (("Data from NOAA/NWS", "https://www.weather.gov/"),)
WIND_HEIGHT_M = 10.0
MAX_INTERVAL_H = 16 * 24  # longer than any forecast of the service
BEGINS_WITHIN_H = 12  # of its update: the first intervals begin some hours before; our own choice
MAX_RAIN_PERIOD_H = 12  # the chance of rain is that of a forecast period of 6 or 12 hours
SNOW_DEPTH_PER_WATER = 10.0  # fresh snow: common practice, no source

_DURATION = re.compile(r"P(?:(\d{1,3})D)?(?:T(?:(\d{1,4})H)?)?")
_WIND = wind_2m_m_s(1.0, WIND_HEIGHT_M)
# theirs -> (ours, is a total of its interval, their unit without prefix -> ours)
LAYERS: Mapping[str, tuple[str, bool, Mapping[str, Any]]] = {
    "temperature": ("temp_degc", False, {"degC": lambda v: v, "degF": degc_from_degf}),
    "relativeHumidity": ("rh_pct", False, {"percent": lambda v: v}),
    "windSpeed": (
        "wind_2m_m_s",
        False,
        {"km_h-1": lambda v: v * M_S_PER_KM_H * _WIND, "m_s-1": lambda v: v * _WIND},
    ),
    "dewpoint": ("dew_point_degc", False, {"degC": lambda v: v, "degF": degc_from_degf}),
    "skyCover": ("cloud_pct", False, {"percent": lambda v: v}),
    "quantitativePrecipitation": ("precip_mm", True, {"mm": lambda v: v, "m": lambda v: v * 1000.0}),
    "snowfallAmount": (
        "snow_mm",
        True,
        {"mm": lambda v: v / SNOW_DEPTH_PER_WATER, "m": lambda v: v * 1000.0 / SNOW_DEPTH_PER_WATER},
    ),
    "probabilityOfPrecipitation": ("rain_chance", False, {"percent": lambda v: v * 0.01}),
    "probabilityOfThunder": ("thunder_chance", False, {"percent": lambda v: v * 0.01, "": lambda v: v * 0.01}),
}
# The service's terms for how likely a weather is; numbers for chances are its own terms for the chance of rain.
COVERAGE_CHANCE = {
    "isolated": 0.2,
    "slight_chance": 0.2,
    "patchy": 0.2,
    "scattered": 0.4,
    "chance": 0.4,
    "areas": 0.5,
    "likely": 0.65,
    "numerous": 0.65,
}
OTHER_COVERAGE_CHANCE = 0.9  # definite, widespread, occasional, frequent, periods of ...: taken as expected
EXPECTED_CHANCE = 0.5  # from here on a weather counts as forecast and gets its code
WEATHER_CODES = (  # a word of the weather's name -> WMO code 4677; the first that fits
    ("thunder", 95.0),
    ("freezing", 66.0),
    ("snow", 73.0),
    ("sleet", 68.0),
    ("rain", 61.0),
    ("drizzle", 51.0),
    ("fog", 45.0),
)


def request(sites: Sequence[Site], now_utc: datetime, base_url: str | None, key: str | None, contact: str) -> Request:
    """Return the first question: in which grid cell a site lies."""
    site = sites[0]
    place = f"{_short(truncated_deg(site.latitude_deg))},{_short(truncated_deg(site.longitude_deg))}"
    return Request(url=f"{(base_url or URL).rstrip('/')}/points/{place}", params={}, headers=ACCEPT)


def follow(body: bytes, base_url: str | None) -> Request:
    """Return the second question: the layers of the cell that the first answer names.

    The address is made from the cell's name, not taken from the answer, which could lead anywhere.
    """
    point = json_body(NAME, body)
    cell = point.get("properties") if isinstance(point, dict) else None
    if not isinstance(cell, dict):
        raise refused(NAME, "points", repr(point)[:40], "this names no grid cell.", "properties.gridId is right.")
    office, x, y = cell.get("gridId"), cell.get("gridX"), cell.get("gridY")
    if not isinstance(office, str) or not re.fullmatch(r"[A-Z]{3}", office) or type(x) is not int or type(y) is not int:
        raise refused(NAME, "points", f"{office!r} {x!r} {y!r}"[:60], "this is no grid cell.", "TAE 58 65 is right.")
    return Request(url=f"{(base_url or URL).rstrip('/')}/gridpoints/{office}/{x},{y}", params={}, headers=ACCEPT)


def parse(body: bytes, site: Site) -> ParsedForecast:
    """Return the table of a grid cell's layers, from the hour of their last update on.

    Raises WeatherError: passing where the body is no JSON, not passing where its content cannot be used.
    """
    import pandas as pd

    feature = json_body(NAME, body)
    if isinstance(feature, dict) and "title" in feature and "status" in feature:
        said = one_line(f"{feature['title']}: {feature.get('detail', '')}", most=200)
        raise WeatherError(
            f"{NAME}: the service answers with an error: {said.rstrip('.')}. No forecast came.", passing=True
        )
    layers = feature.get("properties") if isinstance(feature, dict) else None
    if not isinstance(feature, dict) or not isinstance(layers, dict):
        raise refused(NAME, "body", repr(feature)[:40], "this is no forecast.", "A GeoJSON Feature is right.")
    longitude_deg, latitude_deg = _middle(feature.get("geometry"))
    issued_utc = _moment("updateTime", layers.get("updateTime"))
    notes: list[Note] = []
    columns: list[pd.DataFrame] = []
    stamps: list[int] = []
    for theirs, (ours, is_total, units) in LAYERS.items():
        intervals = _intervals(theirs, layers.get(theirs))
        if not intervals:
            continue
        unit = str(layers[theirs].get("uom") or "").rpartition(":")[2]
        if unit not in units:
            if COLUMNS[ours].is_essential:
                raise refused(NAME, f"{theirs}.uom", unit, "this unit is not known.", f"One of {', '.join(units)}.")
            notes.append(note("unit_unknown", name=theirs, unit=repr(unit[:20])))
            continue
        hour_s, value, length_h = _hours(intervals)
        converted = np.asarray(units[unit](value), dtype=np.float64)
        rows = {ours: converted / length_h if is_total else converted}
        if ours == "rain_chance":
            rows["chance_span_h"] = np.minimum(length_h, MAX_RAIN_PERIOD_H)
        columns.append(pd.DataFrame({"hour_utc": hour_s.astype("datetime64[s]"), **rows}))
        if ours == "temp_degc":
            stamps = hour_s.tolist()
    in_words = _weather(layers.get("weather"))
    if any("thunder_chance" in rows for rows in columns):
        in_words = in_words.drop(columns="thunder_chance")
    columns.append(in_words)
    table = pd.concat(columns, ignore_index=True).reindex(columns=["hour_utc", *COLUMNS])
    _require_begun(stamps, issued_utc)
    first = np.datetime64(issued_utc.replace(tzinfo=None), "h").astype("datetime64[s]")
    parsed = ParsedForecast(
        service=NAME,
        attribution=ATTRIBUTION,
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        # The first intervals begin before the update: what they say of hours gone by is no forecast and no reading.
        table=table[table["hour_utc"] >= first].reset_index(drop=True),
        stamp_utc=np.array(stamps, dtype=np.int64).astype("datetime64[s]"),
        notes=tuple(notes),
        issued_utc=issued_utc,
    )
    return completed(parsed, site)


def _require_begun(stamps: Sequence[int], issued_utc: datetime) -> None:
    """Refuse intervals that begin whole days before the update, or after it: their stamps are off."""
    begins = datetime.fromtimestamp(min(stamps), tz=UTC) if stamps else issued_utc
    if abs(begins - issued_utc) > timedelta(hours=BEGINS_WITHIN_H):
        raise refused(
            NAME,
            "temperature.validTime",
            f"{begins:%Y-%m-%dT%H:%M}+00:00",
            f"the first interval begins more than {BEGINS_WITHIN_H} h from the update of {issued_utc:%Y-%m-%dT%H:%M}.",
            "The stamps are off. One around the update is right.",
        )


def _short(deg: str) -> str:
    """Return a coordinate without closing zeros: the service redirects from them."""
    return deg.rstrip("0").rstrip(".") if "." in deg else deg


def _middle(geometry: object) -> tuple[float, float]:
    """Return (longitude, latitude) of the middle of the cell's outline."""
    try:
        ring = np.array(geometry["coordinates"][0], dtype=np.float64)  # type: ignore[index]
        longitude_deg, latitude_deg = ring[:-1, :2].mean(axis=0).tolist()
        if -180.0 <= longitude_deg <= 180.0 and -90.0 <= latitude_deg <= 90.0:
            return longitude_deg, latitude_deg
    except (TypeError, KeyError, IndexError, ValueError, OverflowError):
        pass
    raise refused(NAME, "geometry", repr(geometry)[:40], "this is no outline of a cell.", "A polygon is right.")


def _moment(key: str, text: object) -> datetime:
    """Return a moment with its offset as UTC."""
    try:
        at = datetime.fromisoformat(text) if isinstance(text, str) else None
        if at is not None and at.tzinfo is not None:
            return at.astimezone(UTC)
    except (ValueError, OverflowError):
        pass
    raise refused(NAME, key, repr(text)[:40], "this is no time.", "2026-05-12T05:00:00+00:00 is right.")


def _intervals(name: str, layer: object) -> list[tuple[int, int, Any]]:
    """Return (start in seconds since 1970, length in hours, value) of a layer's intervals, empty where it has none."""
    values = layer.get("values") if isinstance(layer, dict) else None
    if values is None:
        return []
    if not isinstance(values, list):
        raise refused(NAME, f"{name}.values", repr(values)[:40], "no list of intervals.", "A list is right.")
    found = []
    for entry in values:
        valid = entry.get("validTime") if isinstance(entry, dict) else None
        start, _, duration = valid.partition("/") if isinstance(valid, str) else ("", "", "")
        matched = _DURATION.fullmatch(duration)
        length_h = 24 * int(matched[1] or 0) + int(matched[2] or 0) if matched else 0
        if not isinstance(entry, dict) or not 0 < length_h <= MAX_INTERVAL_H:
            raise refused(
                NAME, f"{name}.validTime", repr(valid)[:60], "no interval in hours.", "start/PT6H or start/P1DT6H."
            )
        start_utc = _moment(f"{name}.validTime", start)
        if start_utc.minute or start_utc.second:
            raise refused(NAME, f"{name}.validTime", repr(valid)[:60], "not a full hour of UTC.", "12:00:00+00:00 is.")
        if entry.get("value") is not None:
            found.append((int(start_utc.timestamp()), length_h, entry["value"]))
    require_rows(NAME, f"{name}.values", sum(length_h for _, length_h, _ in found))
    return found


def _hours(intervals: Sequence[tuple[int, int, Any]]) -> tuple[Any, Any, Any]:
    """Return (hour_s, value, length_h), each interval repeated for its hours."""
    for _, _, value in intervals:
        if type(value) not in (int, float):
            raise refused(NAME, "value", repr(value)[:40], "this is no number.", "Numbers or null are right.")
    length = np.array([length_h for _, length_h, _ in intervals])
    try:
        value = np.array([value for _, _, value in intervals], dtype=np.float64)
    except OverflowError as error:
        raise refused(NAME, "value", "an endless number", "this is no number.", "Numbers are right.") from error
    start = np.repeat(np.array([start_s for start_s, _, _ in intervals], dtype=np.int64), length)
    within = np.arange(len(start)) - np.repeat(np.cumsum(length) - length, length)
    return start + 3600 * within, np.repeat(value, length), np.repeat(length, length).astype(np.float64)


def _weather(layer: object) -> pd.DataFrame:
    """Return rows of weather code and chance of thunder from the layer of weather in words."""
    import pandas as pd

    hours: list[int] = []
    codes: list[float] = []
    thunder: list[float] = []
    for start_s, length_h, value in _intervals("weather", layer):
        said = value if isinstance(value, list) else []
        said = [w for w in said if isinstance(w, dict) and isinstance(w.get("weather"), str)]
        chance_of = {w["weather"]: COVERAGE_CHANCE.get(str(w.get("coverage")), OTHER_COVERAGE_CHANCE) for w in said}
        expected = " ".join(name for name, chance in chance_of.items() if chance >= EXPECTED_CHANCE)
        code = next((code for word, code in WEATHER_CODES if word in expected), np.nan)
        if "snow" in expected and "rain" in expected and code == 73.0:
            code = 68.0  # rain and snow: what falls is then told by the temperature
        hours += [start_s + 3600 * h for h in range(length_h)]
        codes += [code] * length_h
        thunder += [max((c for name, c in chance_of.items() if "thunder" in name), default=0.0)] * length_h
    return pd.DataFrame(
        {
            "hour_utc": np.array(hours, dtype=np.int64).astype("datetime64[s]"),
            "weather_code": np.array(codes, dtype=np.float64),
            "thunder_chance": np.array(thunder, dtype=np.float64),
        }
    )


def licence_note(key: str | None) -> str:
    """Return what the licence allows; there is no key."""
    return (
        "nws: the USA and its territories only; no key is needed; commercial use is allowed; it asks for a mail "
        "address (operator or contact). US public domain: the source stands in every mail. It gives no past rain and "
        "no radiation: rain comes from the gauge and from earlier forecasts, radiation from cloud cover."
    )


SERVICE = WeatherService(
    name=NAME,
    title="US National Weather Service",
    attribution=ATTRIBUTION,
    licence_note=licence_note,
    commercial_needs_key=False,
    needs_contact=True,
    request=request,
    parse=parse,
    follow=follow,
    spacing_s=0.2,
)
