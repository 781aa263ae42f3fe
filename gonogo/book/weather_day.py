"""The weather of one date by each source: a service's later account, the site's gauge, the contract's station."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any

import numpy as np
import pandas as pd
import sqlalchemy as sa

from gonogo import times
from gonogo.book.lost_time import ShiftHours
from gonogo.book.strip_past import StripPast
from gonogo.book.tables import WeatherDay, columns
from gonogo.download.forecasts import earlier_forecasts
from gonogo.records.field import Entry, GaugeRain, StationDay
from gonogo.records.site import Site
from gonogo.store import span
from gonogo.store.answers import StoredAnswer
from gonogo.weather.table import ReceivedForecast

ACCOUNT_DAYS = 4  # how long after a date an answer may come that still accounts for it
RAIN_FROM_MM = 0.1  # an hour with this much counts as an hour of rain: the least that a tipping bucket shows
FREEZING_DEGC = 0.0
AT_ONCE = 4  # answers in memory: a year needs no more than a week


@dataclass(frozen=True, slots=True, kw_only=True)
class DaySources:
    """What the days of an export are made from.

    entries   those in force, with the readings that the config gives; pasts: of each strip; gauge: those of rain
    received  answers as they were read last, by number: one accounts for several days and is read once
    """

    connection: sa.Connection
    site: Site
    entries: tuple[Entry, ...]
    rain_stop_mm_h: float
    pasts: Mapping[str, StripPast]
    gauge: tuple[GaugeRain, ...]
    received: dict[int, tuple[ReceivedForecast, ...]] = field(default_factory=dict, repr=False)


def bounds_utc(site: Site, day: date) -> tuple[datetime, datetime]:
    """Return start and end of a local date."""
    start, end = (times.moment_utc(on, time(0), site.zone) for on in (day, day + timedelta(days=1)))
    return start, end


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """What a weather service said of a whole date after it was over. hours: a row an hour, columns of weather/table."""

    service: str
    fetched_utc: datetime
    hours: pd.DataFrame


def account(kept: DaySources, day: date) -> Account | None:
    """Return the first answer after a date that covers all of it, None where there is none."""
    start_utc, end_utc = bounds_utc(kept.site, day)
    last_utc = end_utc + timedelta(days=ACCOUNT_DAYS)
    for stored in span.answers_between(kept.connection, kept.site.id, end_utc, last_utc):
        for received in _received(kept, stored):
            table = received.parsed.table
            hours = table["hour_utc"].to_numpy().astype("datetime64[h]")
            own = table[(hours >= times.as_hour(start_utc)) & (hours < times.as_hour(end_utc))]
            if len(own) == round((end_utc - start_utc) / times.HOUR):
                return Account(
                    service=stored.answer.service,
                    fetched_utc=stored.answer.fetched_utc,
                    hours=own.reset_index(drop=True),
                )
    return None


def _received(kept: DaySources, stored: StoredAnswer) -> tuple[ReceivedForecast, ...]:
    if stored.id not in kept.received:
        while len(kept.received) >= AT_ONCE:
            kept.received.pop(next(iter(kept.received)))
        kept.received[stored.id] = tuple(earlier_forecasts((stored.answer,), kept.site))
    return kept.received[stored.id]


def service_columns(found: Account | None, shift: ShiftHours) -> dict[str, Any]:
    """Return the service_ columns of a date; all empty where nobody accounted for it later."""
    if found is None:
        return _empty("service")
    table = found.hours
    hours = table["hour_utc"].to_numpy().astype("datetime64[h]")
    snow_mm = table["snow_mm"].fillna(0.0)
    is_in_shift = np.isin(hours, shift.hour_utc)
    return {
        "service": found.service,
        "service_fetched_utc": found.fetched_utc,
        "service_rain_mm": float((table["precip_mm"] - snow_mm).sum()),
        "service_snow_mm": float(snow_mm.sum()),
        "service_rain_in_shift_h": float((table["precip_mm"].to_numpy()[is_in_shift] >= RAIN_FROM_MM).sum()),
        "service_temp_min_degc": float(table["temp_degc"].min()),
        "service_temp_max_degc": float(table["temp_degc"].max()),
        "service_wind_max_2m_m_s": float(table["wind_2m_m_s"].max()),
        "service_frost_h": float((table["temp_degc"] < FREEZING_DEGC).sum()),
    }


def station_columns(kept: DaySources, day: date) -> dict[str, Any]:
    """Return the station_ columns of a date; all empty where the contract's station has no reading of it."""
    site = kept.site
    found = span.station_days(kept.connection, site.id, *bounds_utc(site, day)).get((site.contract_station, day))
    if found is None or not isinstance(found.entry, StationDay):
        return _empty("station")
    read = found.entry
    return {
        "station": read.station,
        "station_rain_mm": read.rain_mm,
        "station_temp_min_degc": read.temp_min_degc,
        "station_temp_max_degc": read.temp_max_degc,
        "station_wind_max_m_s": read.wind_max_m_s,
        "station_snow_lying_mm": read.snow_lying_mm,
    }


def gauge_mm(gauge: Sequence[GaugeRain], start_utc: datetime, end_utc: datetime) -> float | None:
    """Return rain that the gauge caught in a span, None where no period touches it; a period is shared by its hours."""
    parts = []
    for period in gauge:
        common = min(period.until_utc, end_utc) - max(period.from_utc, start_utc)
        if common > timedelta():
            parts.append(period.rain_mm * (common / (period.until_utc - period.from_utc)))
    return sum(parts) if parts else None


def _empty(source: str) -> dict[str, Any]:
    """The columns of a source that says nothing."""
    return dict.fromkeys(found.name for found in columns(WeatherDay) if found.name.startswith(source))
