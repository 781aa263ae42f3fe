"""Evaporation from bare soil in two stages: how much water the surface layer can give, and how readily.

The surface layer is the upper 100 mm; `de_mm` is what has evaporated from it since it stood at field capacity.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from gonogo.errors import SoilError

Floats = npt.NDArray[np.float64]
Number = float | Floats

SURFACE_LAYER_MM = 100.0  # FAO-56, ch. 7: Ze 0.10 to 0.15 m
KC_MAX_WET_SOMETIMES = 1.2  # FAO-56, eq. 72
KC_MAX_WET_DAILY = 1.1  # FAO-56, ch. 7: surface wetted every day or every second day
BARE_HEIGHT_M = 0.05  # roughness of a spread lift, stands for crop height in eq. 72: common practice, no source


def kc_max(
    wind_2m_m_s: Number, rh_min_pct: Number, height_m: Number, *, base: float = KC_MAX_WET_SOMETIMES, kcb: Number = 0.0
) -> Number:
    """Return the upper limit of evaporation as a multiple of reference evapotranspiration [-].

    rh_min_pct  least relative humidity of the day [%]
    height_m    height of what covers the ground [m]
    base        1.2, or 1.1 for a surface wetted daily or every second day
    kcb         coefficient of transpiration [-]; the limit stays 0.05 above it. 0 for bare soil

    Source: FAO-56, eq. 72. Checked in tests/published/fao56_kc_max.toml.
    """
    climate = (0.04 * (wind_2m_m_s - 2.0) - 0.004 * (rh_min_pct - 45.0)) * (height_m / 3.0) ** 0.3
    return np.maximum(base + climate, kcb + 0.05)


def kc_max_by_hour(
    wind_2m_m_s: Floats, rh_pct: Floats, *, hour_utc: npt.NDArray[np.datetime64], longitude_deg: float
) -> Floats:
    """Return kc_max of bare soil (H,): mean wind and least humidity of the sun's own day stand for each of its hours.

    Source: FAO-56, eq. 72, held between 1.05 and 1.30, its typical range. Checked in tests/soil/test_bare_soil.py.
    """
    hours = hour_utc.astype("datetime64[h]").astype(np.int64) + longitude_deg / 15.0
    _, first, of_day, n_hours = np.unique(
        np.floor(hours / 24.0), return_index=True, return_inverse=True, return_counts=True
    )
    wind = np.add.reduceat(wind_2m_m_s, first) / n_hours
    driest = np.minimum.reduceat(rh_pct, first)
    return np.asarray(np.clip(kc_max(wind, driest, BARE_HEIGHT_M), 1.05, 1.30))[of_day]


def total_evaporable_mm(theta_fc: Number, theta_wp: Number, layer_mm: Number = SURFACE_LAYER_MM) -> Number:
    """Return TEW, the water that evaporation can take from the surface layer [mm].

    Source: FAO-56, eq. 73. Checked in tests/published/fao56_table19.toml.
    """
    return (theta_fc - 0.5 * theta_wp) * layer_mm


def evaporation_reduction(de_mm: Number, tew_mm: Number, rew_mm: Number) -> Number:
    """Return Kr, the share of energy-limited evaporation that the drying surface still gives.

    de_mm   depth evaporated since the surface was last wet [mm], 0 to tew_mm
    tew_mm  total evaporable water of the surface layer [mm]
    rew_mm  readily evaporable water, end of stage one [mm], below tew_mm
    kr      [-], 1 up to rew_mm, then falling in a straight line to 0 at tew_mm

    Raises SoilError if rew_mm >= tew_mm.
    Source: FAO-56, eq. 74. Checked in tests/published/fao56_ex31.toml.
    """
    if np.any(np.asarray(rew_mm) >= np.asarray(tew_mm)):
        raise SoilError(
            f"readily evaporable water {rew_mm} mm is not below total evaporable water {tew_mm} mm. "
            "Stage one must end first, for example 9 against 20."
        )
    return np.clip((tew_mm - de_mm) / (np.asarray(tew_mm) - rew_mm), 0.0, 1.0)


def evaporation_coefficient(kr: Number, kc_max: Number, kcb: Number, few: Number) -> Number:
    """Return Ke, soil evaporation as a multiple of reference evapotranspiration [-].

    few  share of the ground that is both wetted and open to the sky [-]

    Source: FAO-56, eq. 71. Checked in tests/published/fao56_ex32_to_34.toml.
    """
    return np.minimum(kr * (kc_max - kcb), few * np.asarray(kc_max))


def depletion_after_mm(
    de_mm: Number, *, wetting_mm: Number, evaporation_mm: Number, few: Number, tew_mm: Number
) -> Number:
    """Return De at the end of a day [mm] from its start, the water that came and the evaporation of the whole ground.

    wetting_mm  rain less runoff plus irrigation over the wetted share; what exceeds De percolates [mm]

    Source: FAO-56, eq. 77 and 79. Checked in tests/published/fao56_ex35.toml.
    """
    after_wetting = np.maximum(de_mm - wetting_mm, 0.0)
    return np.clip(after_wetting + evaporation_mm / np.asarray(few), 0.0, tew_mm)
