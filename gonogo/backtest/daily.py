"""The days of a station as the forecast sees them: demand, water at the ground, how wet fixed buckets would be by now.

Every value of a day is made from that day and earlier ones alone. A gap is filled from earlier days and marked.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from gonogo.backtest.folder import StationYear
from gonogo.soil import reference_et
from gonogo.soil.rain import melt_mm
from gonogo.soil.sun import clear_sky_share, extraterrestrial_mj_m2_d, shortwave_from_range_mj_m2_d

Floats = npt.NDArray[np.float64]

SNOW_BELOW_DEGC = 0.5  # day mean: common practice, no source
WIND_UNKNOWN_M_S = 2.0  # FAO-56, ch. 4
# What stands in for a temperature before the first one is known; nothing is forecast from such days.
TEMP_UNKNOWN_DEGC = (15.0, 5.0)
CLEARNESS_UNKNOWN, HUMIDITY_UNKNOWN_PCT = 0.6, 50.0
BUCKETS_MM = (10.0, 30.0, 100.0)
BUCKET_KC, BUCKET_START = 0.9, 0.7
WET_START_MM = 30.0  # rain and demand counted before the first day, so that their ratio begins at 1
RECENT_ET_DAYS, RECENT_TEMP_DAYS = 7.0, 15.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Days:
    """Daily series (D,) of one station-year.

    water_mm    rain and melt at the ground; et0_mm reference evapotranspiration
    clearness   measured over clear-sky radiation [-]
    wetness     (3, D) filling at midday of buckets of BUCKETS_MM that lay under this weather since the first day [-]
    dryness     logarithm of water over demand since the first day
    is_gap      any of temperature, rain or sun was missing and stands filled
    """

    water_mm: Floats = field(repr=False)
    et0_mm: Floats = field(repr=False)
    clearness: Floats = field(repr=False)
    temp_degc: Floats = field(repr=False)
    temp_span_degc: Floats = field(repr=False)
    rh_min_pct: Floats = field(repr=False)
    wetness: Floats = field(repr=False)
    dryness: Floats = field(repr=False)
    recent_et_mm: Floats = field(repr=False)
    recent_temp_degc: Floats = field(repr=False)
    is_gap: npt.NDArray[np.bool_] = field(repr=False)


def days(one: StationYear) -> Days:
    """Return the days of a station-year. Checked in tests/backtest/test_forecast.py."""
    w = one.weather
    hot = carried(w["air_temp_max_c"], TEMP_UNKNOWN_DEGC[0])
    cold = np.minimum(carried(w["air_temp_min_c"], TEMP_UNKNOWN_DEGC[1]), hot)
    day_of_year = (one.day - one.day.astype("datetime64[Y]")).astype(np.int64) + 1.0
    above = np.asarray(extraterrestrial_mj_m2_d(np.radians(one.station.latitude_deg), day_of_year))
    sun = w["solar_mj_m2"]
    sun = np.where(np.isfinite(sun), sun, shortwave_from_range_mj_m2_d(hot, cold, above))
    wind = w["wind_2m_m_s"]
    et0 = np.maximum(
        reference_et.daily_et0_mm(
            hot,
            cold,
            vapour_kpa=_vapour_kpa(hot, cold, w["rh_max_pct"], w["rh_min_pct"], w["rh_mean_pct"]),
            wind_2m_m_s=np.where(np.isfinite(wind), wind, WIND_UNKNOWN_M_S),
            shortwave_mj_m2_d=sun,
            day_of_year=day_of_year,
            latitude_deg=one.station.latitude_deg,
            elevation_m=one.station.elevation_m,
        ),
        0.0,
    )
    temp = (hot + cold) / 2.0
    fallen = np.nan_to_num(w["precip_mm"])
    snow = np.where(temp < SNOW_BELOW_DEGC, fallen, 0.0)
    water = fallen - snow + melt_mm(snow, 24.0 * temp)
    needed = ("air_temp_max_c", "air_temp_min_c", "precip_mm", "solar_mj_m2")
    return Days(
        water_mm=water,
        et0_mm=et0,
        clearness=sun / np.maximum(clear_sky_share(one.station.elevation_m) * above, 0.1),
        temp_degc=temp,
        temp_span_degc=hot - cold,
        rh_min_pct=np.where(np.isfinite(w["rh_min_pct"]), w["rh_min_pct"], HUMIDITY_UNKNOWN_PCT),
        wetness=_bucket_wetness(water, et0),
        dryness=np.log((np.cumsum(water) + WET_START_MM) / (np.cumsum(et0) + WET_START_MM)),
        recent_et_mm=_recent(et0, RECENT_ET_DAYS),
        recent_temp_degc=_recent(temp, RECENT_TEMP_DAYS),
        is_gap=np.any([~np.isfinite(w[name]) for name in needed], axis=0),
    )


def carried(series: Floats, before: float) -> Floats:
    """Return a series whose gaps hold the last value before them, and `before` where there is none."""
    last = np.maximum.accumulate(np.where(np.isfinite(series), np.arange(1, series.size + 1), 0))
    return np.concatenate(([before], series))[last]


def _vapour_kpa(hot: Floats, cold: Floats, rh_max: Floats, rh_min: Floats, rh_mean: Floats) -> Floats:
    """Vapour pressure from the best that a day has: range of humidity, its mean, else dew at the coldest hour."""
    by_range = reference_et.vapour_from_rh_range_kpa(cold, hot, rh_max, rh_min)
    full = reference_et.mean_saturation_kpa(hot, cold)
    rest = np.where(np.isfinite(rh_mean), rh_mean / 100.0 * full, reference_et.saturation_vapour_kpa(cold))
    return np.minimum(np.where(np.isfinite(by_range), by_range, rest), full)


def _bucket_wetness(water_mm: Floats, et0_mm: Floats) -> Floats:
    """Filling of each bucket at midday (3, D): half of a day's water and demand come before."""
    sizes = np.array(BUCKETS_MM)
    held, out = BUCKET_START * sizes, np.empty((sizes.size, water_mm.size))
    for d, (water, demand) in enumerate(zip((water_mm / 2.0).tolist(), (et0_mm / 2.0).tolist(), strict=True)):
        held = np.minimum(held + water, sizes)
        held = held * (1.0 - BUCKET_KC * demand / sizes)
        out[:, d] = held / sizes
        held = np.minimum(held + water, sizes)
        held = held * (1.0 - BUCKET_KC * demand / sizes)
    return out


def _recent(series: Floats, n_days: float) -> Floats:
    """Mean of the days so far, each weighing less the longer it is past."""
    share, value, out = 1.0 - np.exp(-1.0 / n_days), float(series[0]) if series.size else 0.0, np.empty(series.size)
    for d, one in enumerate(series.tolist()):
        value += share * (one - value)
        out[d] = value
    return out
