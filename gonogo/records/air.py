"""Where a site lies and what the air above it does: what evaporation is made from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A place on the earth: north and east positive, elevation above sea level."""

    latitude_deg: float
    longitude_deg: float
    elevation_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HourlyAir:
    """The air over consecutive hours, every array (H,).

    hour_utc                         start of the hour, datetime64, true UTC, rising
    temp_degc, rh_pct, wind_2m_m_s   means of the hour
    shortwave_w_m2                   incoming radiation, mean of the hour
    pressure_kpa                     None: the usual one at the elevation
    """

    hour_utc: npt.NDArray[np.datetime64]
    temp_degc: Floats
    rh_pct: Floats
    wind_2m_m_s: Floats
    shortwave_w_m2: Floats
    pressure_kpa: Floats | None = None
