"""Open-Meteo's ensemble host: the same hours as one forecast, and the rain of each of its members.

Contract: https://open-meteo.com/en/docs/ensemble-api. The control run stands under the plain name of a variable, the
others under the name with `_member01` and on; with several models each name ends in the model's.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime
from functools import partial

import numpy as np

from gonogo.records.site import Site
from gonogo.weather.services import Floats, Request, WeatherService, json_slices, numbers, refused
from gonogo.weather.services import open_meteo as plain
from gonogo.weather.sunlight import completed
from gonogo.weather.table import ParsedForecast, hour_rows

NAME = "open_meteo_ensemble"
FREE_URL = "https://ensemble-api.open-meteo.com/v1/ensemble"
CUSTOMER_URL = "https://customer-ensemble-api.open-meteo.com/v1/ensemble"
MODEL = "ecmwf_ifs025"  # 51 members, the whole world, 15 days
ASKED = (
    "temperature_2m",
    "relative_humidity_2m",
    "precipitation",
    "shortwave_radiation",
    "wind_speed_10m",
    "surface_pressure",
    "snowfall",
    "weather_code",
)
WET_MM = 0.1  # what services call rain in an hour
# A variable may be the beginning of another's name, so the whole name is matched; what ends it may only be a model.
_NAME = re.compile(
    r"(?P<variable>[a-z0-9_]+?)(?:_member(?P<member>\d\d))?"
    r"(?P<model>_(?:icon|ncep|gfs|ecmwf|gem|bom|ukmo|meteoswiss|google|cma|kma)_[a-z0-9_]+|_(?:icon|gem|gfs)[a-z0-9_]*)?"
)


def request(sites: Sequence[Site], now_utc: datetime, base_url: str | None, key: str | None, contact: str) -> Request:
    """Return the request for sites; with a key the customer host is asked directly."""
    free = base_url is None or base_url.rstrip("/") == FREE_URL
    return Request(
        url=(CUSTOMER_URL if key else FREE_URL) if free else str(base_url),
        params=plain.place_params(sites) | {"hourly": ",".join(ASKED), "models": MODEL},
        headers={"X-Api-Key": key} if key else {},
    )


def parse(body: bytes, site: Site) -> ParsedForecast:
    """Return the table of an answer: states of the control run, precipitation as the mean of the members, and these.

    The chance of rain is the share of members with rain. The control counts as a member.

    Raises WeatherError: passing where the body is no JSON, not passing where its content cannot be used.
    """
    place = plain.nearest_place(NAME, body, site)
    hourly, units = plain.hourly_table(NAME, place)
    stamp_utc = plain.stamps(NAME, hourly.get("time"), units.get("time"), place.get("utc_offset_seconds"))
    controls: dict[str, str] = {}
    rain_names: list[str] = []
    for name in hourly:
        matched = _NAME.fullmatch(name)
        if matched is None:
            continue
        if matched["variable"] == "precipitation":
            rain_names.append(name)
        if matched["member"] is None:
            controls.setdefault(matched["variable"], name)
    at_stamp, before_stamp, notes = plain.columns(NAME, hourly, units, stamp_utc, controls)
    members = _members_mm(hourly, units, rain_names, len(stamp_utc))
    n_known = np.sum(~np.isnan(members), axis=1)
    known = n_known > 0
    mean, wet = np.full(len(stamp_utc), np.nan), np.full(len(stamp_utc), np.nan)
    mean[known] = np.nansum(members[known], axis=1) / n_known[known]
    wet[known] = np.sum(members[known] >= WET_MM, axis=1) / n_known[known]
    before_stamp |= {"precip_mm": mean, "rain_chance": wet}
    table = hour_rows(stamp_utc, at_stamp=at_stamp, before_stamp=before_stamp)
    parsed = ParsedForecast(
        service=NAME,
        attribution=plain.ATTRIBUTION,
        latitude_deg=place["latitude"],
        longitude_deg=place["longitude"],
        table=table,
        stamp_utc=stamp_utc,
        notes=tuple(notes),
        # Rows of states come first, rows of sums after them, as hour_rows lays them.
        rain_members_mm=np.concatenate([np.full_like(members, np.nan), members]),
    )
    return completed(parsed, site)


def _members_mm(hourly: dict[str, object], units: dict[str, object], names: Sequence[str], length: int) -> Floats:
    """Return the members' precipitation in millimetres, (stamps, K); a member without any value is left out."""
    if not names:
        raise refused(NAME, "hourly.precipitation", "nothing", "there is no member.", "Members of rain are right.")
    found = []
    for name in names:
        values = numbers(NAME, f"hourly.{name}", hourly[name], length)
        if np.isnan(values).all():
            continue
        convert = plain.DEPTH.get(str(units.get(name)))
        if convert is None:
            raise refused(
                NAME, f"hourly_units.{name}", repr(units.get(name))[:20], "this unit is not known.", "mm is right."
            )
        found.append(convert(values))
    return np.stack(found, axis=1) if found else np.full((length, 1), np.nan)


def licence_note(key: str | None) -> str:
    """Return what the licence allows with or without a key."""
    if key:
        return (
            "open_meteo_ensemble: a key is set, the customer host is asked; the plan must include the ensemble host. "
            "Data CC BY 4.0: the credit stands in every mail."
        )
    return (
        "open_meteo_ensemble: no key is set, the free host is asked; it is for non-commercial use only. "
        "Data CC BY 4.0: the credit stands in every mail."
    )


SERVICE = WeatherService(
    name=NAME,
    title="Open-Meteo Ensemble",
    attribution=plain.ATTRIBUTION,
    licence_note=licence_note,
    commercial_needs_key=True,
    needs_contact=False,
    request=request,
    parse=parse,
    max_sites=5,
    split=partial(json_slices, NAME),
)
