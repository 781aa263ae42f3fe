"""The hourly table that every service is brought into: columns, units, ranges, repair-or-reject rules."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


class Rung(StrEnum):
    """How far a forecast may be trusted."""

    FRESH = "fresh"  # up to 6 h old: normal
    OLD = "old"  # 6 to 24 h: labelled, spread widened
    NONE = "none"  # older, absent or rejected: nobody is told to compact


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
