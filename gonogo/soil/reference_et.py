"""Reference evapotranspiration of short grass by the Penman-Monteith equation, hourly and daily, with its terms.

FAO-56 is Allen, Pereira, Raes and Smith 1998, FAO Irrigation and Drainage Paper 56; ASCE is the standardised equation
of ASCE-EWRI 2005. Both share every term but the surface resistance by hour.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gonogo.errors import SoilError
from gonogo.records.air import HourlyAir, Place
from gonogo.soil.sun import clear_sky_share, sun_hours
from gonogo.units import MJ_M2_H_PER_W_M2

Floats = npt.NDArray[np.float64]
Number = float | Floats

STEFAN_BOLTZMANN_MJ_K4_M2_D = 4.903e-9  # FAO-56, eq. 39
ALBEDO_GRASS = 0.23  # FAO-56, eq. 38
EVAPORATION_MM_PER_MJ_M2 = 0.408  # FAO-56, eq. 20
WIND_FLOOR_M_S = 0.5  # FAO-56, ch. 3: still air keeps this much exchange
CLEARNESS_UNKNOWN = 1.0  # a night with no evening before it in the series is taken as clear
LOW_SUN_SIN = np.sin(0.3)  # ASCE: below 0.3 rad the ratio of measured to clear-sky radiation says nothing about cloud


@dataclass(frozen=True, slots=True, kw_only=True)
class Grass:
    """Constants of the hourly equation by day and by night.

    cn, cd  of the numerator and denominator
    heat    soil heat flux as a share of net radiation
    """

    cn_day: float
    cn_night: float
    cd_day: float
    cd_night: float
    heat_day: float = 0.1
    heat_night: float = 0.5


ASCE_SHORT = Grass(cn_day=37.0, cn_night=37.0, cd_day=0.24, cd_night=0.96)  # ASCE-EWRI 2005, table 1


# --- air -----------------------------------------------------------------------------------------------------


def pressure_kpa(elevation_m: Number) -> Number:
    """Return the usual air pressure at an elevation [kPa].

    Source: FAO-56, eq. 7. Checked in tests/published/fao56_building_blocks.toml.
    """
    return 101.3 * ((293.0 - 0.0065 * elevation_m) / 293.0) ** 5.26


def psychrometric_kpa_degc(pressure_kpa: Number) -> Number:
    """Return the psychrometric constant [kPa/degC].

    Source: FAO-56, eq. 8. Checked in tests/published/fao56_building_blocks.toml.
    """
    return 0.000665 * pressure_kpa


def saturation_vapour_kpa(temp_degc: Number) -> Number:
    """Return saturation vapour pressure over water [kPa].

    Source: FAO-56, eq. 11. Checked in tests/published/fao56_building_blocks.toml.
    """
    return 0.6108 * np.exp(17.27 * temp_degc / (temp_degc + 237.3))


def mean_saturation_kpa(temp_max_degc: Number, temp_min_degc: Number) -> Number:
    """Return the day's saturation vapour pressure [kPa]: the mean of that of both extremes, not that of the mean.

    Source: FAO-56, eq. 12. Checked in tests/published/fao56_building_blocks.toml.
    """
    return (saturation_vapour_kpa(temp_max_degc) + saturation_vapour_kpa(temp_min_degc)) / 2.0


def vapour_slope_kpa_degc(temp_degc: Number) -> Number:
    """Return the slope of the saturation vapour pressure curve [kPa/degC].

    Source: FAO-56, eq. 13. Checked in tests/published/asce_slope.toml.
    """
    return 4098.0 * saturation_vapour_kpa(temp_degc) / (temp_degc + 237.3) ** 2


def vapour_from_rh_kpa(temp_degc: Number, rh_pct: Number) -> Number:
    """Return actual vapour pressure [kPa] from temperature and relative humidity of the same hour.

    Source: FAO-56, eq. 54. Checked in tests/published/fao56_ex19_hourly.toml.
    """
    return saturation_vapour_kpa(temp_degc) * rh_pct / 100.0


def vapour_from_rh_range_kpa(
    temp_min_degc: Number, temp_max_degc: Number, rh_max_pct: Number, rh_min_pct: Number
) -> Number:
    """Return actual vapour pressure [kPa] from the day's extremes of temperature and relative humidity.

    Source: FAO-56, eq. 17. Checked in tests/published/fao56_building_blocks.toml.
    """
    return (
        saturation_vapour_kpa(temp_min_degc) * rh_max_pct + saturation_vapour_kpa(temp_max_degc) * rh_min_pct
    ) / 200.0


# --- energy --------------------------------------------------------------------------------------------------


def cloud_factor(clearness: Number) -> Number:
    """Return the share of net longwave loss that cloud lets through [-], from measured over clear-sky radiation.

    clearness  [-], held between 0.3 and 1 as FAO-56 says (0.25 to 1 there for days; ASCE has 0.3)

    Source: FAO-56, eq. 39, last factor. Checked in tests/published/fao56_ex18_daily.toml.
    """
    return 1.35 * np.clip(clearness, 0.3, 1.0) - 0.35


def net_shortwave_mj_m2(shortwave_mj_m2: Number) -> Number:
    """Return the shortwave radiation that short grass keeps [MJ/m2], of whatever step.

    Source: FAO-56, eq. 38. Checked in tests/published/fao56_building_blocks.toml.
    """
    return (1.0 - ALBEDO_GRASS) * shortwave_mj_m2


def net_longwave_mj_m2_d(
    temp_max_degc: Number, temp_min_degc: Number, vapour_kpa: Number, cloud_factor: Number
) -> Number:
    """Return net outgoing longwave radiation [MJ/m2/d]; for an hour give both temperatures alike and divide by 24.

    Source: FAO-56, eq. 39. Checked in tests/published/fao56_building_blocks.toml.
    """
    emitted = STEFAN_BOLTZMANN_MJ_K4_M2_D * ((temp_max_degc + 273.16) ** 4 + (temp_min_degc + 273.16) ** 4) / 2.0
    return emitted * (0.34 - 0.14 * np.sqrt(vapour_kpa)) * cloud_factor


def penman_monteith_mm(
    *,
    available_mj_m2: Number,
    temp_degc: Number,
    wind_2m_m_s: Number,
    deficit_kpa: Number,
    gamma_kpa_degc: Number,
    cn: Number,
    cd: Number,
) -> Number:
    """Return reference evapotranspiration of the step [mm] from its terms.

    available_mj_m2   energy of the step: net radiation less what warms the soil [MJ/m2]
    deficit_kpa       saturation less actual vapour pressure [kPa]
    gamma_kpa_degc    psychrometric constant [kPa/degC]
    cn, cd            900 and 0.34 for a day of grass, 37 and 0.24 or 0.96 for an hour

    Source: FAO-56, eq. 6 and 53; ASCE-EWRI 2005, eq. 1. Checked in tests/published/fao56_ex18_daily.toml.
    """
    slope_kpa_degc = vapour_slope_kpa_degc(temp_degc)
    radiation = EVAPORATION_MM_PER_MJ_M2 * slope_kpa_degc * available_mj_m2
    aerodynamic = gamma_kpa_degc * cn / (temp_degc + 273.0) * wind_2m_m_s * deficit_kpa
    return (radiation + aerodynamic) / (slope_kpa_degc + gamma_kpa_degc * (1.0 + cd * wind_2m_m_s))


# --- the hour ------------------------------------------------------------------------------------------------


def carried_cloud_factor(clearness: Floats, is_high_sun: npt.NDArray[np.bool_], clearness_before: float) -> Floats:
    """Return the cloud factor of every hour (H,): that of the hour where the sun is high, else of the last such hour.

    Hours before the first high sun take `clearness_before`.
    Source: ASCE-EWRI 2005, eq. 45 and 46, and FAO-56, ex. 19. Checked in tests/published/asce_fallon_hourly.toml.
    """
    factor = np.asarray(cloud_factor(np.concatenate((np.array([clearness_before]), clearness))))
    last = np.where(is_high_sun, np.arange(1, clearness.size + 1), 0)
    return np.asarray(factor[np.maximum.accumulate(last)])


def hourly_et0_mm(
    air: HourlyAir, place: Place, *, grass: Grass = ASCE_SHORT, clearness_before: float = CLEARNESS_UNKNOWN
) -> Floats:
    """Return hourly reference evapotranspiration of short grass [mm] (H,), slightly negative where dew forms.

    air                wind is taken as 0.5 m/s where it is less
    clearness_before   measured over clear-sky radiation on the evening before the series [-]

    An hour tells of cloud only where the sun stands above 0.3 rad from its start to its end.

    Raises SoilError where the arrays differ in length.
    Source: ASCE-EWRI 2005, eq. 1; with Cd 0.34 by day and night FAO-56, eq. 53.
    Checked in tests/published/asce_fallon_hourly.toml and fao56_ex19_hourly.toml.
    """
    series = (air.temp_degc, air.rh_pct, air.wind_2m_m_s, air.shortwave_w_m2, air.hour_utc)
    if len(lengths := {len(values) for values in series}) != 1:
        raise SoilError(f"hourly series of different lengths {sorted(lengths)}: each must have one value an hour.")
    sun = sun_hours(air.hour_utc, latitude_deg=place.latitude_deg, longitude_deg=place.longitude_deg)
    shortwave_mj_m2 = air.shortwave_w_m2 * MJ_M2_H_PER_W_M2
    clear_mj_m2 = clear_sky_share(place.elevation_m) * sun.extraterrestrial_mj_m2_h
    is_high_sun = (sun.sin_elevation >= LOW_SUN_SIN) & (clear_mj_m2 > 0.0)
    clearness = np.divide(shortwave_mj_m2, clear_mj_m2, out=np.ones_like(shortwave_mj_m2), where=is_high_sun)
    vapour = vapour_from_rh_kpa(air.temp_degc, air.rh_pct)
    cloud = carried_cloud_factor(clearness, is_high_sun, clearness_before)
    lost = net_longwave_mj_m2_d(air.temp_degc, air.temp_degc, vapour, cloud) / 24.0
    net = net_shortwave_mj_m2(shortwave_mj_m2) - lost
    is_day = net > 0.0
    air_kpa = pressure_kpa(place.elevation_m) if air.pressure_kpa is None else air.pressure_kpa
    return np.asarray(
        penman_monteith_mm(
            available_mj_m2=net - np.where(is_day, grass.heat_day, grass.heat_night) * net,
            temp_degc=air.temp_degc,
            wind_2m_m_s=np.maximum(air.wind_2m_m_s, WIND_FLOOR_M_S),
            deficit_kpa=saturation_vapour_kpa(air.temp_degc) - vapour,
            gamma_kpa_degc=psychrometric_kpa_degc(air_kpa),
            cn=np.where(is_day, grass.cn_day, grass.cn_night),
            cd=np.where(is_day, grass.cd_day, grass.cd_night),
        )
    )
