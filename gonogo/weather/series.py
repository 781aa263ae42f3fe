"""The hourly table that every service is brought into, and how far it may be trusted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from gonogo.records import GaugeRain, Site
from gonogo.weather.checks import CHECKS, Asked, age_h, passed
from gonogo.weather.gauge import override
from gonogo.weather.members import expected_rain_mm, rain_members_mm
from gonogo.weather.table import ParsedForecast

__all__ = ["CHECKS", "HourlyWeather", "Rung", "check", "rung"]

Floats = npt.NDArray[np.float64]

FRESH_UNTIL_H = 6.0
OLD_UNTIL_H = 24.0
CLOCKS_APART_H = 0.25  # an answer may be stamped this much ahead of our clock; beyond it a clock is wrong


class Rung(StrEnum):
    """How far a forecast may be trusted."""

    FRESH = "fresh"  # up to 6 h old: normal
    OLD = "old"  # 6 to 24 h: labelled, spread widened
    NONE = "none"  # older, absent or rejected: nobody is told to compact


WIDENING = {Rung.FRESH: 1.0, Rung.OLD: 1.5, Rung.NONE: 2.0}  # of the rain's spread; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class HourlyWeather:
    """Checked weather of one site; row h is the hour [hour_utc[h], hour_utc[h] + 1 h).

    hour_utc             (H,)   datetime64[h], rising by one hour, no gap
    temp_degc, rh_pct, wind_2m_m_s, pressure_kpa   (H,)  at the start of the hour
    shortwave_w_m2       (H,)   mean over the hour
    rain_mm              (H,)   liquid water of the hour, expected amount
    rain_chance          (H,)   0 to 1, chance of rain in the hour; NaN where the service has none
    snow_mm              (H,)   water equivalent falling as snow in the hour (not part of rain_mm)
    surface_temp_degc    (H,)   soil surface, NaN where the service has none
    weather_code         (H,)   WMO code 4677 as a float, NaN where the service has none
    rain_members_mm      (H, M) equally likely rain amounts; their spread is the forecast's
    """

    service: str
    attribution: tuple[tuple[str, str], ...]  # (text, link), printed in every mail
    fetched_utc: datetime
    rung: Rung
    repairs: tuple[str, ...]  # sentences for the mail's foot
    hour_utc: npt.NDArray[np.datetime64]
    temp_degc: Floats
    rh_pct: Floats
    wind_2m_m_s: Floats
    pressure_kpa: Floats
    shortwave_w_m2: Floats
    rain_mm: Floats
    rain_chance: Floats
    snow_mm: Floats
    surface_temp_degc: Floats
    weather_code: Floats
    rain_members_mm: Floats


def rung(forecast_age_h: float) -> Rung:
    """Return how far a forecast of an age [h] may be trusted.

    An age that is unknown (NaN), or ahead of the clock by over a quarter of an hour, means a wrong clock: no trust.
    """
    if -CLOCKS_APART_H <= forecast_age_h <= FRESH_UNTIL_H:
        return Rung.FRESH
    if FRESH_UNTIL_H < forecast_age_h <= OLD_UNTIL_H:
        return Rung.OLD
    return Rung.NONE


def check(
    parsed: ParsedForecast,
    *,
    site: Site,
    now_utc: datetime,
    fetched_utc: datetime,
    gauge: Sequence[GaugeRain],
    n_members: int,
    rng: np.random.Generator,
) -> HourlyWeather:
    """Return a service's forecast as checked, repaired and gauge-corrected weather of a site.

    parsed        the service's answer in our names
    now_utc       the moment that the run stands for
    fetched_utc   when the answer came
    gauge         the site's own rain readings, in the order in which they were entered
    n_members     members of rain

    Raises WeatherError where a fault cannot be repaired (see CHECKS). The age of the answer rejects nothing here: it
    sets `rung`, and with Rung.NONE nobody is told to compact.
    """
    table, notes = passed(Asked(parsed=parsed, site=site, now_utc=now_utc))
    column = {name: table[name].to_numpy(dtype=np.float64) for name in table.columns}
    hour_utc = table.index.to_numpy().astype("datetime64[h]")
    trust = rung(age_h(fetched_utc, now_utc))
    rain_mm = expected_rain_mm(column["rain_mm"], np.where(column["snow_mm"] > 0, np.nan, column["rain_chance"]))
    rain_mm, gauged_share, gauge_notes = override(hour_utc, rain_mm, gauge, now_utc=now_utc)
    now_s = now_utc.timestamp()
    lead_h = (hour_utc.astype("datetime64[s]").astype(np.float64) - now_s) / 3600.0
    return HourlyWeather(
        service=parsed.service,
        attribution=parsed.attribution,
        fetched_utc=fetched_utc,
        rung=trust,
        repairs=(*notes, *gauge_notes),
        hour_utc=hour_utc,
        temp_degc=column["temp_degc"],
        rh_pct=column["rh_pct"],
        wind_2m_m_s=column["wind_2m_m_s"],
        pressure_kpa=column["pressure_kpa"],
        shortwave_w_m2=column["shortwave_w_m2"],
        rain_mm=rain_mm,
        rain_chance=column["rain_chance"],
        snow_mm=column["snow_mm"],
        surface_temp_degc=column["surface_temp_degc"],
        weather_code=column["weather_code"],
        rain_members_mm=rain_members_mm(
            rain_mm,
            column["rain_chance"],
            lead_h,
            n_members=n_members,
            rng=rng,
            widening=WIDENING[trust],
            gauged_share=gauged_share,
        ),
    )
