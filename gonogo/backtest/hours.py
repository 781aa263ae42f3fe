"""The hours of a station: as measured, or made from its days by a documented rule.

The rule: temperature runs from the day's least at 5 h to its greatest at 15 h and on to the next day's least, by half a
cosine each; the day's vapour is held, so humidity follows temperature; radiation is shaped by the sun and scaled to the
day's total; each member has the rain of a half-day in some hours of it, and how much of a day's rain falls before
midday is drawn around what cloud, warmth and the days beside it suggest (day_rain.json, fitted with the table of
natural ground). Hours are local standard time, whole hours from UTC.
"""

from __future__ import annotations

import importlib.resources
import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import cache

import numpy as np
import numpy.typing as npt

from gonogo.backtest.folder import StationYear, first_hour
from gonogo.soil.rain import melt_mm
from gonogo.soil.reference_et import (
    mean_saturation_kpa,
    pressure_kpa,
    saturation_vapour_kpa,
    vapour_from_rh_range_kpa,
)
from gonogo.soil.sun import clear_sky_share, extraterrestrial_mj_m2_d, shortwave_from_range_mj_m2_d, sun_hours
from gonogo.weather.forecast_status import ForecastStatus
from gonogo.weather.series import HourlyWeather

Floats = npt.NDArray[np.float64]

SNOW_BELOW_DEGC = 0.5  # day mean or hour: common practice, no source
WIND_UNKNOWN_M_S = 2.0  # FAO-56, ch. 4
# What stands in for a temperature before the first one is known; nothing is forecast from such days.
TEMP_UNKNOWN_DEGC = (15.0, 5.0)
HUMIDITY_UNKNOWN_PCT = 50.0
COLDEST_H, HOTTEST_H = 5.0, 15.0
RAIN_LASTS_H = 4  # of a half-day's twelve: our own choice
DAY, HALF = 24, 12
TIMING = (
    "one", "clear", "temp", "rain", "dry_air", "range", "rain_next", "rain_before", "clear_next", "clear_before",
    "warming",
)  # fmt: skip
SEED = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class DayRain:
    """How much of a day's rain falls before midday: a logit with coefficients of TIMING, spread by place and by day."""

    coefficients: Floats
    place_sd: float
    day_sd: float


@cache
def day_rain() -> DayRain:
    """Return the table that travels with the package."""
    row = json.loads(importlib.resources.files("gonogo.backtest").joinpath("day_rain.json").read_text(encoding="utf-8"))
    return DayRain(
        coefficients=np.array([row["coefficients"][name] for name in TIMING]),
        place_sd=row["place_sd"],
        day_sd=row["day_sd"],
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Hours:
    """A station-year by the hour. `weather` holds whole days, `last` each day as if it were the last one known."""

    weather: HourlyWeather = field(repr=False)
    last: HourlyWeather = field(repr=False)
    is_gap: npt.NDArray[np.bool_] = field(repr=False)

    def between(self, first_hour: int, last_day: int) -> HourlyWeather:
        """Return the weather from an hour to the end of a day, made of nothing after that day."""
        cut = slice(first_hour, (last_day + 1) * DAY)
        end = slice(last_day * DAY, (last_day + 1) * DAY)
        columns = {}
        for name in _COLUMNS:
            values = getattr(self.weather, name)[cut].copy()
            values[-DAY:] = getattr(self.last, name)[end]
            columns[name] = values
        return replace(self.weather, **columns)


_COLUMNS = (
    "hour_utc", "temp_degc", "rh_pct", "wind_2m_m_s", "pressure_kpa", "shortwave_w_m2", "rain_mm", "rain_chance",
    "snow_mm", "surface_temp_degc", "weather_code", "rain_members_mm", "thunder_chance", "melt_mm", "frost_depth_mm",
)  # fmt: skip


def hours(station: StationYear, n_members: int, *, rain: DayRain | None = None) -> Hours:
    """Return the hours of a station-year for a number of members. Checked in tests/backtest/test_hours.py."""
    hour_utc = first_hour(station.day, station.station) + np.arange(DAY * len(station.day)).astype("timedelta64[h]")
    needed = ("air_temp_max_c", "air_temp_min_c", "precip_mm", "solar_mj_m2")
    is_gap = np.any([~np.isfinite(station.weather[name]) for name in needed], axis=0)
    if station.hourly is not None:
        whole = _weather(station, hour_utc, _measured(station.hourly), n_members)
        return Hours(weather=whole, last=whole, is_gap=is_gap)
    table = rain or day_rain()
    made = [
        _weather(station, hour_utc, _made(station, hour_utc, table, n_members, is_last=last), n_members)
        for last in (0, 1)
    ]
    return Hours(weather=made[0], last=made[1], is_gap=is_gap)


def carried(series: Floats, before: float) -> Floats:
    """Return a series whose gaps hold the last value before them, and `before` where there is none."""
    last = np.maximum.accumulate(np.where(np.isfinite(series), np.arange(1, series.size + 1), 0))
    return np.concatenate(([before], series))[last]


def _measured(hourly: Mapping[str, Floats]) -> dict[str, Floats]:
    temp = carried(hourly["temp_degc"], TEMP_UNKNOWN_DEGC[1])
    fallen = np.nan_to_num(hourly["precip_mm"])
    snow = np.where(temp < SNOW_BELOW_DEGC, fallen, 0.0)
    return {
        "temp_degc": temp,
        "rh_pct": np.clip(carried(hourly["rh_pct"], HUMIDITY_UNKNOWN_PCT), 1.0, 100.0),
        "wind_2m_m_s": carried(hourly["wind_2m_m_s"], WIND_UNKNOWN_M_S),
        "shortwave_w_m2": np.maximum(carried(hourly["shortwave_w_m2"], 0.0), 0.0),
        "rain_mm": fallen - snow,
        "snow_mm": snow,
        "melt_mm": melt_mm(snow, temp),
    }


def _made(
    station: StationYear, hour_utc: npt.NDArray[np.datetime64], table: DayRain, n_members: int, *, is_last: int
) -> dict[str, Floats]:
    """Columns by the rule; with is_last no day knows of the one after it."""
    w, n_days = station.weather, len(station.day)
    hot = carried(w["air_temp_max_c"], TEMP_UNKNOWN_DEGC[0])
    cold = np.minimum(carried(w["air_temp_min_c"], TEMP_UNKNOWN_DEGC[1]), hot)
    next_cold = cold if is_last else np.r_[cold[1:], cold[-1:]]
    temp = _temperature(hot, cold, next_cold)
    vapour = np.repeat(_vapour_kpa(hot, cold, w["rh_max_pct"], w["rh_min_pct"], w["rh_mean_pct"]), DAY)
    day_of_year = (station.day - station.day.astype("datetime64[Y]")).astype(np.int64) + 1.0
    above = np.asarray(extraterrestrial_mj_m2_d(np.radians(station.station.latitude_deg), day_of_year))
    sun_mj = w["solar_mj_m2"]
    sun_mj = np.where(np.isfinite(sun_mj), sun_mj, shortwave_from_range_mj_m2_d(hot, cold, above))
    sun = sun_hours(hour_utc, latitude_deg=station.station.latitude_deg, longitude_deg=station.station.longitude_deg)
    shape = sun.extraterrestrial_mj_m2_h.reshape(n_days, DAY)
    shape = shape / np.maximum(shape.sum(axis=1, keepdims=True), 1e-6)
    mean = (hot + cold) / 2.0
    fallen = np.nan_to_num(w["precip_mm"])
    snow = np.where(mean < SNOW_BELOW_DEGC, fallen, 0.0)
    melted = melt_mm(snow, DAY * mean)
    logit = timing(station, fallen - snow + melted, is_last=is_last) @ table.coefficients
    members = _rain_members(fallen - snow, logit, table, n_members)
    wind = w["wind_2m_m_s"]
    return {
        "temp_degc": temp,
        "rh_pct": np.clip(100.0 * vapour / saturation_vapour_kpa(temp), 1.0, 100.0),
        "wind_2m_m_s": np.repeat(np.where(np.isfinite(wind), wind, WIND_UNKNOWN_M_S), DAY),
        "shortwave_w_m2": (shape * sun_mj[:, None]).ravel() / 0.0036,
        "rain_mm": members.mean(axis=1),
        "rain_members_mm": members,
        "snow_mm": np.repeat(snow / DAY, DAY),
        "melt_mm": np.repeat(melted / DAY, DAY),
    }


def _temperature(hot: Floats, cold: Floats, next_cold: Floats) -> Floats:
    """Temperature at the middle of each hour (24 D,) from the extremes of each day."""
    h = (np.arange(DAY) + 0.5)[None, :]
    hot_before = np.r_[hot[:1], hot[:-1]]
    night_h = DAY - HOTTEST_H + COLDEST_H
    rise = (1.0 - np.cos(np.pi * (h - COLDEST_H) / (HOTTEST_H - COLDEST_H))) / 2.0
    fall = (1.0 + np.cos(np.pi * (h - HOTTEST_H) / night_h)) / 2.0
    fall_before = (1.0 + np.cos(np.pi * (h + DAY - HOTTEST_H) / night_h)) / 2.0
    c, n, t, b = (a[:, None] for a in (cold, next_cold, hot, hot_before))
    by_day = np.where(h < HOTTEST_H, c + (t - c) * rise, n + (t - n) * fall)
    return np.asarray(np.where(h < COLDEST_H, c + (b - c) * fall_before, by_day)).ravel()


def _vapour_kpa(hot: Floats, cold: Floats, rh_max: Floats, rh_min: Floats, rh_mean: Floats) -> Floats:
    """Vapour pressure from the best that a day has: range of humidity, its mean, else dew at the coldest hour."""
    by_range = vapour_from_rh_range_kpa(cold, hot, rh_max, rh_min)
    full = mean_saturation_kpa(hot, cold)
    rest = np.where(np.isfinite(rh_mean), rh_mean / 100.0 * full, saturation_vapour_kpa(cold))
    return np.minimum(np.where(np.isfinite(by_range), by_range, rest), full)


def timing(station: StationYear, water_mm: Floats, *, is_last: int) -> Floats:
    """Return what tells when in the day rain fell (D, TIMING); with is_last the day after is as the day itself."""
    w = station.weather
    hot = carried(w["air_temp_max_c"], TEMP_UNKNOWN_DEGC[0])
    cold = np.minimum(carried(w["air_temp_min_c"], TEMP_UNKNOWN_DEGC[1]), hot)
    day_of_year = (station.day - station.day.astype("datetime64[Y]")).astype(np.int64) + 1.0
    above = np.asarray(extraterrestrial_mj_m2_d(np.radians(station.station.latitude_deg), day_of_year))
    sun = w["solar_mj_m2"]
    sun = np.where(np.isfinite(sun), sun, shortwave_from_range_mj_m2_d(hot, cold, above))
    clear = sun / np.maximum(clear_sky_share(station.station.elevation_m) * above, 0.1)
    clear, temp = (np.clip(clear, 0.0, 1.3) - 0.6) / 0.2, (hot + cold) / 2.0
    rh_min = np.where(np.isfinite(w["rh_min_pct"]), w["rh_min_pct"], HUMIDITY_UNKNOWN_PCT)
    place = np.arange(len(water_mm))
    before, after = np.maximum(place - 1, 0), place if is_last else np.minimum(place + 1, len(place) - 1)
    rain_next = np.zeros_like(water_mm) if is_last else np.r_[water_mm[1:], 0.0]
    return np.stack(
        [
            np.ones_like(temp),
            clear,
            (temp - 15.0) / 10.0,
            np.log1p(water_mm) - 1.0,
            (rh_min - 50.0) / 25.0,
            (hot - cold - 12.0) / 5.0,
            np.log1p(rain_next) - 0.5,
            np.log1p(water_mm[before]) - 0.5,
            clear[after],
            clear[before],
            (temp[after] - temp) / 4.0,
        ],
        axis=1,
    )


def _rain_members(rain_mm: Floats, logit: Floats, table: DayRain, n_members: int) -> Floats:
    """Rain of each hour and member (24 D, M): a day has one draw per member, whoever asks."""
    # A stream for each kind of draw: more days at the end change none of those before.
    of_place, of_day, of_begin = (np.random.default_rng([SEED, k]) for k in range(3))
    n_days = len(rain_mm)
    place = of_place.standard_normal(n_members)
    draws = of_day.standard_normal((n_days, n_members))
    draws -= draws.mean(axis=1, keepdims=True)
    begins = of_begin.integers(0, HALF - RAIN_LASTS_H + 1, (n_days, 2, n_members))
    away = table.place_sd * (place - place.mean()) + table.day_sd * draws
    morning = 1.0 / (1.0 + np.exp(-np.clip(logit[:, None] + away, -9.0, 9.0)))
    out = np.zeros((n_days, DAY, n_members))
    wet = np.flatnonzero(rain_mm > 0.0)
    for half, share in ((0, morning), (1, 1.0 - morning)):
        for k in range(RAIN_LASTS_H):
            at = HALF * half + begins[wet, half] + k
            out[wet[:, None], at, np.arange(n_members)] = share[wet] * rain_mm[wet, None] / RAIN_LASTS_H
    return out.reshape(n_days * DAY, n_members)


def _weather(
    station: StationYear, hour_utc: npt.NDArray[np.datetime64], columns: Mapping[str, Floats], n_members: int
) -> HourlyWeather:
    n = len(hour_utc)
    unknown = np.full(n, np.nan)
    members = columns.get("rain_members_mm")
    if members is None:
        members = np.repeat(columns["rain_mm"][:, None], n_members, axis=1)
    return HourlyWeather(
        service="measured",
        attribution=(),
        fetched_utc=datetime(1970, 1, 1, tzinfo=UTC),
        status=ForecastStatus.FRESH,
        notes=(),
        hour_utc=hour_utc,
        pressure_kpa=np.full(n, float(pressure_kpa(station.station.elevation_m))),
        rain_chance=unknown,
        surface_temp_degc=unknown,
        weather_code=unknown,
        thunder_chance=unknown,
        frost_depth_mm=np.zeros(n),
        rain_members_mm=members,
        temp_degc=columns["temp_degc"],
        rh_pct=columns["rh_pct"],
        wind_2m_m_s=columns["wind_2m_m_s"],
        shortwave_w_m2=columns["shortwave_w_m2"],
        rain_mm=columns["rain_mm"],
        snow_mm=columns["snow_mm"],
        melt_mm=columns["melt_mm"],
    )
