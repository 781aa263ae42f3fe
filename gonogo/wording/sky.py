"""The weather of the rest of the day, as a mail tells it."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import numpy as np

from gonogo import times
from gonogo.records.site import Site
from gonogo.units import WIND_2M_OF_10M
from gonogo.weather import services
from gonogo.weather.forecast_status import ForecastStatus
from gonogo.weather.series import HourlyWeather
from gonogo.wording import phrases
from gonogo.wording.horizon import RAIN_DAY_MM
from gonogo.wording.items import SkyView

MEASURABLE_RAIN_MM = 0.2  # one tip of the usual rain gauge; common practice, no source


def today(weather: HourlyWeather, site: Site, day: date, now_utc: datetime) -> SkyView:
    """Return the weather from now to local midnight, frost to noon of the next day, and the forecast's age and source.

    Seen from another day than `day` (a mail made for a past or a coming date) the whole of that day counts.
    """
    midnight = times.moment_utc(day, datetime.min.time(), site.zone)
    next_midnight = times.moment_utc(day + timedelta(days=1), datetime.min.time(), site.zone)
    start = max(midnight, times.hour_floor(now_utc)) if now_utc < next_midnight else midnight
    rest = _between(weather, start, next_midnight)
    night = _between(weather, start, next_midnight + timedelta(hours=12))

    def at(rows: np.ndarray, mask: np.ndarray) -> phrases.Moment | None:
        hit = np.flatnonzero(mask)
        if not len(hit):
            return None
        hour = times.as_datetime(weather.hour_utc[rows][hit[0]])
        return phrases.moment(hour, site.zone, day)

    members = weather.rain_members_mm[rest]
    fallen = np.cumsum(np.nan_to_num(members), axis=0)
    has_begun = (fallen >= MEASURABLE_RAIN_MM).mean(axis=1) >= 0.5 if len(fallen) else np.zeros(0, dtype=bool)
    return SkyView(
        service=services.title(weather.service),
        fetched=phrases.moment(weather.fetched_utc, site.zone, day, step_min=1),
        age=phrases.duration(max((now_utc - weather.fetched_utc).total_seconds(), 0.0) / 3600.0, step_min=5),
        is_old=weather.status != ForecastStatus.FRESH,
        attribution=weather.attribution,
        temp_low=phrases.amount("temp_degc", _edge(weather.temp_degc[rest], low=True)),
        temp_high=phrases.amount("temp_degc", _edge(weather.temp_degc[rest], low=False)),
        wind=phrases.amount("wind_m_s", _edge(weather.wind_2m_m_s[rest], low=False) / WIND_2M_OF_10M),
        rain=phrases.amount("rain_mm", float(np.nansum(weather.rain_mm[rest])) if len(rest) else float("nan")),
        rain_chance=phrases.chance(float((fallen[-1] >= RAIN_DAY_MM).mean()) if len(fallen) else float("nan")),
        rain_floor=phrases.amount("rain_mm", RAIN_DAY_MM),
        rain_from=at(rest, has_begun),
        is_raining=bool(len(has_begun) and has_begun[0]),
        frost_from=at(night, weather.temp_degc[night] <= 0.0),
    )


def _between(weather: HourlyWeather, start: datetime, end: datetime) -> np.ndarray:
    """Return the rows of the hours from start to end."""
    hours = weather.hour_utc
    return np.flatnonzero((hours >= times.as_hour(start)) & (hours < times.as_hour(end)))


def _edge(values: np.ndarray, *, low: bool) -> float:
    """Return the lowest or the highest known value, NaN where none is known."""
    known = values[~np.isnan(values)]
    if not len(known):
        return float("nan")
    return float(known.min() if low else known.max())
