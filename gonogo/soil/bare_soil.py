"""Evaporation from bare soil in two stages: how much water the surface layer can give, and how readily.

The surface layer is the upper 100 mm. FAO-56 counts De, what has evaporated from it since it stood at field capacity;
here stands what is left of it, TEW - De, which is what the balance holds.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Number = float | Floats

SURFACE_LAYER_MM = 100.0  # FAO-56, ch. 7: Ze 0.10 to 0.15 m
KC_MAX_WET_SOMETIMES = 1.2  # FAO-56, eq. 72
KC_MAX_HIGHEST = 1.30  # FAO-56, ch. 7: typical range 1.05 to 1.30
MID_STEP = 0.5  # of a step's evaporation is gone at its middle
# As arrays: in a call on a few hundred numbers, a number of Python's own costs as much as the call.
NOTHING, ALL = np.zeros(()), np.ones(())
BARE_HEIGHT_M = 0.05  # roughness of a spread lift, stands for crop height in eq. 72: common practice, no source


def kc_max(wind_2m_m_s: Number, rh_min_pct: Number, height_m: Number) -> Number:
    """Return the upper limit of evaporation as a multiple of reference evapotranspiration [-].

    rh_min_pct  least relative humidity of the day [%]
    height_m    height of what covers the ground [m]

    Source: FAO-56, eq. 72. Checked in tests/published/fao56_kc_max.toml.
    """
    climate = (0.04 * (wind_2m_m_s - 2.0) - 0.004 * (rh_min_pct - 45.0)) * (height_m / 3.0) ** 0.3
    return KC_MAX_WET_SOMETIMES + climate


def kc_max_by_hour(
    wind_2m_m_s: Floats, rh_pct: Floats, *, hour_utc: npt.NDArray[np.datetime64], longitude_deg: float
) -> Floats:
    """Return kc_max of bare soil (H,): mean wind and least humidity of the sun's own day stand for each of its hours.

    Source: FAO-56, eq. 72, held to 1.30, the upper end of its typical range; over so low a ground it never falls to the
    lower one, 1.05. Checked in tests/soil/test_bare_soil.py.
    """
    hours = hour_utc.astype("datetime64[h]").astype(np.int64) + longitude_deg / 15.0
    _, first, of_day, n_hours = np.unique(
        np.floor(hours / 24.0), return_index=True, return_inverse=True, return_counts=True
    )
    wind = np.add.reduceat(wind_2m_m_s, first) / n_hours
    driest = np.minimum.reduceat(rh_pct, first)
    return np.asarray(np.minimum(kc_max(wind, driest, BARE_HEIGHT_M), KC_MAX_HIGHEST))[of_day]


def total_evaporable_mm(theta_fc: Number, theta_wp: Number, layer_mm: Number) -> Number:
    """Return TEW, the water that evaporation can take from the surface layer [mm].

    Source: FAO-56, eq. 73. Checked in tests/published/fao56_table19.toml.
    """
    return (theta_fc - 0.5 * theta_wp) * layer_mm


def evaporation_reduction(left_mm: Number, range_mm: Number, *, out: Floats | None = None) -> Number:
    """Return Kr, the share of energy-limited evaporation that the drying surface still gives [-].

    left_mm   TEW - De, what evaporation can still take [mm]; below 0 counts as nothing
    range_mm  TEW - REW, what is left at the end of stage one [mm], above 0
    out       array to write into, may be left_mm

    1 in stage one, then falling in a straight line to 0.
    Source: FAO-56, eq. 74. Checked in tests/published/fao56_ex31.toml.
    """
    return np.minimum(np.maximum(np.divide(left_mm, range_mm, out=out), NOTHING, out=out), ALL, out=out)


def reach_mm(range_mm: Number, demand_mm: Number, *, kr_at: float = MID_STEP) -> Number:
    """Return how much water must be left at the start of a step for all of its demand to evaporate [mm].

    range_mm   as in evaporation_reduction
    demand_mm  energy-limited evaporation of the step, ET0 times Kc max [mm]
    kr_at      0 takes Kr at the start of the step, as FAO-56 does by the day; MID_STEP as it is once half of what the
               step evaporates is gone, which hardly depends on the length of the step (0.1 % off where the demand is a
               tenth of the range)

    From E = demand * (left - kr_at * E) / range, solved for E; a range shorter than the demand would give more than is
    left. Source: FAO-56, eq. 74; MID_STEP is the implicit midpoint rule.
    """
    return np.maximum(demand_mm * kr_at + range_mm, demand_mm)


def evaporation_mm(left_mm: Number, range_mm: Number, demand_mm: Number, *, out: Floats | None = None) -> Number:
    """Return what bare soil evaporates in a step [mm]: Kr times demand, and never more than is left.

    left_mm    as in evaporation_reduction, at the start of the step
    range_mm   as reach_mm gives it for the demand
    demand_mm  energy-limited evaporation of the step, ET0 times Kc max [mm]
    out        array to write into, none of the last two

    Source: FAO-56, eq. 69, 71 and 74 for bare soil that is wetted all over.
    Checked in tests/published/fao56_ex31.toml, fao56_ex35.toml and tests/soil/test_bare_soil.py.
    """
    return np.multiply(evaporation_reduction(left_mm, range_mm, out=out), demand_mm, out=out)
