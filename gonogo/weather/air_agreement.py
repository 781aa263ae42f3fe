"""The air of a forecast against itself: light, warmth, humidity and evapotranspiration.

The limits are our own choice, wide enough for what a service's columns differ by. No source but where one is named.
"""

from __future__ import annotations

import numpy as np

from gonogo.records.air import HourlyAir
from gonogo.soil.reference_et import hourly_et0_mm, saturation_vapour_kpa
from gonogo.soil.sun import clear_sky_share
from gonogo.units import MJ_M2_H_PER_W_M2
from gonogo.weather.own_days import DAYS_OF_A_BROKEN_COLUMN, Contradiction, OwnDays

LEAST_LIGHT_MJ_M2_D = 2.0  # days with less sun above the air than that say nothing of radiation
DARKEST_SHARE = 0.02  # of the radiation above the air; the thickest cloud leaves some 5 %
BRIGHTEST_OVER_CLEAR = 1.2  # of a clear day's radiation (FAO-56, eq. 37)
SUN_APART_H = 0.75  # the middle of the day's light against that of the sun
WARMEST_H = (11.5, 19.0)  # hour of the sun at which the middle of the day's warmth lies; common practice
LEAST_SWING_DEGC = 1.5  # of the days' course of temperature, below which it says nothing of the hour
HUMIDITY_APART_PCT = 12.0  # relative humidity against that of dew point and temperature, mean of a day
ET0_APART_SHARE, ET0_APART_MM = 0.3, 1.0  # ours against the service's own, sum of a day
# The same of all days together: FAO-56's hourly form lies up to a tenth below ours (Cd 0.34 for 0.24 by day).
ET0_ALL_SHARE, ET0_ALL_DAYS = 0.2, 10
WINDIEST_2M_M_S, WIND_DAYS = 9.0, 7  # no land has so much wind on the mean of a week and more; common practice
DRIEST_PCT = 3.0  # no land has so dry air on the mean of a day; common practice


def light_against_sun(t: OwnDays) -> Contradiction | None:
    """The light of a day against the sun above the air: never next to nothing, never more than a clear day's."""
    if not t.is_light_told:
        return None
    above = t.by_day(t.sun.extraterrestrial_mj_m2_h)
    light = t.by_day(t.column("shortwave_w_m2") * MJ_M2_H_PER_W_M2)
    share = np.divide(light, above, out=np.full(len(above), np.nan), where=above >= LEAST_LIGHT_MJ_M2_D)
    clear = float(clear_sky_share(t.site.elevation_m))
    odd = t.is_whole & ((share < DARKEST_SHARE) | (share > BRIGHTEST_OVER_CLEAR * clear))
    if odd.sum() < DAYS_OF_A_BROKEN_COLUMN:
        return None
    first = int(np.argmax(odd))
    return Contradiction(
        column="shortwave_w_m2",
        days=odd,
        found=f"{light[first]:.2f} MJ/m2 on {t.date(first)}",
        wrong=f"the sun above the air gives {above[first]:.1f}; the ground gets {DARKEST_SHARE:.0%} to "
        f"{BRIGHTEST_OVER_CLEAR * clear:.0%} of it.",
    )


def light_at_noon(t: OwnDays) -> Contradiction | None:
    """The middle of the light of all days against the sun's own noon."""
    above, light = t.sun.extraterrestrial_mj_m2_h, t.column("shortwave_w_m2")
    if not t.is_light_told or light.sum() <= 0.0 or above.sum() <= 0.0:
        return None
    angle_h = t.sun.angle_mid_rad * 12.0 / np.pi
    apart_h = float((light * angle_h).sum() / light.sum() - (above * angle_h).sum() / above.sum())
    if abs(apart_h) <= SUN_APART_H:
        return None
    return Contradiction(
        column="shortwave_w_m2",
        days=np.ones(len(t.is_whole), dtype=bool),
        found=f"light that is {abs(apart_h):.1f} h {'late' if apart_h > 0 else 'early'}",
        wrong="its middle lies at the sun's noon.",
    )


def warm_after_noon(t: OwnDays) -> Contradiction | None:
    """The days' course of temperature: warmest after noon. In reverse order it is warmest before."""
    whole = t.is_whole[t.day]
    if t.is_whole.sum() < 3:
        return None
    angle, temp = t.sun.angle_mid_rad[whole], t.column("temp_degc")[whole]
    temp = temp - (np.bincount(t.day[whole], weights=temp) / 24.0)[t.day[whole]]
    wave = complex(2.0 * np.mean(temp * np.exp(-1j * angle)))
    if abs(wave) * 2.0 < LEAST_SWING_DEGC:
        return None
    warmest_h = float((12.0 - np.angle(wave) * 12.0 / np.pi) % 24.0)
    if WARMEST_H[0] <= warmest_h <= WARMEST_H[1]:
        return None
    return Contradiction(
        column="temp_degc",
        days=np.ones(len(t.is_whole), dtype=bool),
        found=f"days that are warmest around {warmest_h:.0f}:00 by the sun",
        wrong="days are warmest after noon: hours are shifted or in reverse.",
    )


def humidity_against_dew(t: OwnDays) -> Contradiction | None:
    """Relative humidity against dew point and temperature, day by day."""
    temp, humid, dew = t.column("temp_degc"), t.column("rh_pct"), t.column("dew_point_degc")
    both = ~np.isnan(dew)
    if both.mean() < 0.5:
        return None
    from_dew = np.full(len(dew), np.nan)
    from_dew[both] = 100.0 * saturation_vapour_kpa(dew[both]) / saturation_vapour_kpa(temp[both])
    apart = np.where(both, np.abs(np.clip(from_dew, 0.0, 100.0) - humid), 0.0)
    n = t.by_day(both.astype(np.float64))
    mean = np.divide(t.by_day(apart), n, out=np.zeros(len(n)), where=n >= 12)
    odd = mean > HUMIDITY_APART_PCT
    if not odd.any():
        return None
    first = int(np.argmax(odd))
    return Contradiction(
        column="rh_pct",
        days=odd,
        found=f"{mean[first]:.0f} points from what dew point and temperature say on {t.date(first)}",
        wrong=f"up to {HUMIDITY_APART_PCT:.0f} are rounding.",
    )


def et0_against_own(t: OwnDays) -> Contradiction | None:
    """Reference evapotranspiration as we compute it against the service's own, day by day."""
    theirs = t.column("service_et0_mm")
    known = ~np.isnan(theirs)
    if not t.is_light_told or known.mean() < 0.5:
        return None
    air = HourlyAir(
        hour_utc=t.table.index.to_numpy().astype("datetime64[h]"),
        temp_degc=t.column("temp_degc"),
        rh_pct=t.column("rh_pct"),
        wind_2m_m_s=t.column("wind_2m_m_s"),
        shortwave_w_m2=t.column("shortwave_w_m2"),
        pressure_kpa=t.column("pressure_kpa"),
    )
    ours = hourly_et0_mm(air, t.site.place)
    is_day = t.is_whole & (t.by_day(known.astype(np.float64)) >= 20)
    ours_mm, theirs_mm = t.by_day(np.where(known, ours, 0.0)), t.by_day(np.nan_to_num(theirs))
    apart = np.abs(ours_mm - theirs_mm)
    odd = is_day & (apart > ET0_APART_MM) & (apart > ET0_APART_SHARE * np.maximum(ours_mm, theirs_mm))
    if odd.sum() < DAYS_OF_A_BROKEN_COLUMN:
        odd = (
            is_day
            if is_day.sum() >= ET0_ALL_DAYS and _is_apart(ours_mm[is_day].sum(), theirs_mm[is_day].sum())
            else odd
        )
    if odd.sum() < DAYS_OF_A_BROKEN_COLUMN:
        return None
    first = int(np.argmax(odd))
    return Contradiction(
        column="et0",
        days=odd,
        found=f"{theirs_mm[first]:.1f} mm on {t.date(first)}",
        wrong=f"its other columns make {ours_mm[first]:.1f} mm of it.",
    )


def _is_apart(own_mm: float, said_mm: float) -> bool:
    """Return whether two sums of evapotranspiration differ by more than their formulas do."""
    return abs(own_mm - said_mm) > max(ET0_ALL_SHARE * max(own_mm, said_mm), ET0_ALL_DAYS * 0.5 * ET0_APART_MM)


def wind_over_land(t: OwnDays) -> Contradiction | None:
    """More wind on the mean of all days than any land has: km/h or knots under the name of m/s."""
    if t.is_whole.sum() < WIND_DAYS:
        return None
    mean_m_s = float(t.column("wind_2m_m_s")[t.is_whole[t.day]].mean())
    if mean_m_s <= WINDIEST_2M_M_S:
        return None
    return Contradiction(
        column="wind_2m_m_s",
        days=np.ones(len(t.is_whole), dtype=bool),
        found=f"{mean_m_s:.1f} m/s on the mean of {int(t.is_whole.sum())} days",
        wrong=f"no land has more than {WINDIEST_2M_M_S:g}: a unit is wrong.",
    )


def driest_air(t: OwnDays) -> Contradiction | None:
    """Air drier than any land has: humidity as a fraction under the name of per cent."""
    mean = t.by_day(t.column("rh_pct")) / 24.0
    odd = t.is_whole & (mean < DRIEST_PCT)
    if odd.sum() < DAYS_OF_A_BROKEN_COLUMN:
        return None
    first = int(np.argmax(odd))
    return Contradiction(
        column="rh_pct",
        days=odd,
        found=f"{mean[first]:.2g} % on the mean of {t.date(first)}",
        wrong="no land has such air: a unit is wrong.",
    )
