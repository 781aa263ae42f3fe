"""The day's reference evapotranspiration, put together from the terms that the hours run: for the printed examples."""

from __future__ import annotations

import numpy as np

from gonogo.soil.reference_et import (
    CLEARNESS_UNKNOWN,
    WIND_FLOOR_M_S,
    Number,
    cloud_factor,
    mean_saturation_kpa,
    net_longwave_mj_m2_d,
    net_shortwave_mj_m2,
    penman_monteith_mm,
    pressure_kpa,
    psychrometric_kpa_degc,
)
from gonogo.soil.sun import clear_sky_share, extraterrestrial_mj_m2_d


def daily_et0_mm(
    temp_max_degc: Number,
    temp_min_degc: Number,
    *,
    vapour_kpa: Number,
    wind_2m_m_s: Number,
    shortwave_mj_m2_d: Number,
    day_of_year: Number,
    latitude_deg: Number,
    elevation_m: Number,
    soil_heat_mj_m2_d: Number = 0.0,
) -> Number:
    """Return daily reference evapotranspiration of short grass [mm/d]; everything broadcasts.

    vapour_kpa         actual vapour pressure, day mean [kPa]
    wind_2m_m_s        day mean at 2 m, taken as 0.5 where it is less [m/s]
    shortwave_mj_m2_d  incoming shortwave radiation [MJ/m2/d]

    Source: FAO-56, eq. 6. Checked in tests/published/fao56_ex18_daily.toml and pyet_ten_days.toml.
    """
    latitude_rad = np.radians(latitude_deg)
    clear = clear_sky_share(elevation_m) * extraterrestrial_mj_m2_d(latitude_rad, day_of_year)
    with np.errstate(divide="ignore", invalid="ignore"):
        clearness = np.where(np.asarray(clear) > 0.0, shortwave_mj_m2_d / clear, CLEARNESS_UNKNOWN)
    lost = net_longwave_mj_m2_d(temp_max_degc, temp_min_degc, vapour_kpa, cloud_factor(clearness))
    temp_mean_degc = (temp_max_degc + temp_min_degc) / 2.0
    return penman_monteith_mm(
        available_mj_m2=net_shortwave_mj_m2(shortwave_mj_m2_d) - lost - soil_heat_mj_m2_d,
        temp_degc=temp_mean_degc,
        wind_2m_m_s=np.maximum(wind_2m_m_s, WIND_FLOOR_M_S),
        deficit_kpa=mean_saturation_kpa(temp_max_degc, temp_min_degc) - vapour_kpa,
        gamma_kpa_degc=psychrometric_kpa_degc(pressure_kpa(elevation_m)),
        cn=900.0,
        cd=0.34,
    )
