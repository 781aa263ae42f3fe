"""The only conversions and the only roundings: SI inside, what a reader sees outside.

Factors are exact by definition of the international yard and pound and of the US gallon (NIST Special Publication
811, 2008, appendix B.8), rounded ones are marked.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

METRE_PER_FOOT = 0.3048
METRE_PER_INCH = 0.0254
METRE_PER_YARD = 0.9144
KM_PER_MILE = 1.609344
LITRE_PER_GALLON = 3.785411784
KG_PER_POUND = 0.45359237
KG_M3_PER_LB_FT3 = KG_PER_POUND / METRE_PER_FOOT**3  # 16.01846...
LITRES_M2_PER_GAL_YD2 = LITRE_PER_GALLON / METRE_PER_YARD**2  # 4.527...
MM_PER_INCH = 25.4
M_S_PER_KM_H = 1.0 / 3.6
M_S_PER_MILE_H = 1000.0 * KM_PER_MILE / 3600.0
M_S_PER_KNOT = 1852.0 / 3600.0
MJ_M2_H_PER_W_M2 = 0.0036


def degc_from_degf(temp_degf: float) -> float:
    return (temp_degf - 32.0) / 1.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """How one quantity is shown in one unit system.

    per_si    shown = SI * per_si + offset
    unit      unit as printed
    step      rounding step in the shown unit; below `fine_below` the finer step holds
    decimals  digits after the point (fine_decimals below `fine_below`)
    """

    per_si: float
    unit: str
    step: float
    decimals: int
    offset: float = 0.0
    fine_below: float = 0.0
    fine_step: float = 0.0
    fine_decimals: int = 0


# One row a quantity: (metric, US customary). Steps are what a driver or foreman can use: common practice, no source.
QUANTITIES: dict[str, tuple[Shown, Shown]] = {
    "litres": (
        Shown(per_si=1.0, unit="L", step=100.0, decimals=0, fine_below=1000.0, fine_step=10.0),
        Shown(per_si=1 / LITRE_PER_GALLON, unit="gal", step=50.0, decimals=0, fine_below=500.0, fine_step=5.0),
    ),
    "litres_m2": (
        Shown(per_si=1.0, unit="L/m²", step=0.1, decimals=1),
        Shown(per_si=1 / LITRES_M2_PER_GAL_YD2, unit="gal/yd²", step=0.05, decimals=2),
    ),
    "litres_m3": (
        Shown(per_si=1.0, unit="L/m³", step=1.0, decimals=0),
        Shown(per_si=METRE_PER_YARD**3 / LITRE_PER_GALLON, unit="gal/yd³", step=0.5, decimals=1),
    ),
    "length_m": (
        Shown(per_si=1.0, unit="m", step=1.0, decimals=0),
        Shown(per_si=1 / METRE_PER_FOOT, unit="ft", step=5.0, decimals=0, fine_below=50.0, fine_step=1.0),
    ),
    "lane_m": (
        Shown(per_si=1.0, unit="m", step=0.1, decimals=1),
        Shown(per_si=1 / METRE_PER_FOOT, unit="ft", step=0.5, decimals=1),
    ),
    "thickness_m": (
        Shown(per_si=1000.0, unit="mm", step=10.0, decimals=0),
        Shown(per_si=1 / METRE_PER_INCH, unit="in", step=0.5, decimals=1),
    ),
    "area_m2": (
        Shown(per_si=1.0, unit="m²", step=10.0, decimals=0),
        Shown(per_si=1 / METRE_PER_YARD**2, unit="yd²", step=10.0, decimals=0),
    ),
    "speed_km_h": (
        Shown(per_si=1.0, unit="km/h", step=0.1, decimals=1, fine_below=2.0, fine_step=0.05, fine_decimals=2),
        Shown(
            per_si=1 / KM_PER_MILE, unit="mph", step=0.1, decimals=1, fine_below=2.0, fine_step=0.05, fine_decimals=2
        ),
    ),
    "rain_mm": (
        Shown(per_si=1.0, unit="mm", step=1.0, decimals=0, fine_below=10.0, fine_step=0.5, fine_decimals=1),
        Shown(
            per_si=1 / MM_PER_INCH, unit="in", step=0.05, decimals=2, fine_below=0.1, fine_step=0.01, fine_decimals=2
        ),
    ),
    "temp_degc": (
        Shown(per_si=1.0, unit="°C", step=1.0, decimals=0),
        Shown(per_si=1.8, unit="°F", step=1.0, decimals=0, offset=32.0),
    ),
    "dry_density_kg_m3": (
        Shown(per_si=0.001, unit="t/m³", step=0.01, decimals=2),
        Shown(per_si=1 / KG_M3_PER_LB_FT3, unit="lb/ft³", step=0.5, decimals=1),
    ),
    "wind_m_s": (
        Shown(per_si=3.6, unit="km/h", step=1.0, decimals=0),
        Shown(per_si=1 / M_S_PER_MILE_H, unit="mph", step=1.0, decimals=0),
    ),
    "rh_pct": (
        Shown(per_si=1.0, unit="%", step=1.0, decimals=0),
        Shown(per_si=1.0, unit="%", step=1.0, decimals=0),
    ),
    "radiation_w_m2": (
        Shown(per_si=1.0, unit="W/m²", step=1.0, decimals=0),
        Shown(per_si=1.0, unit="W/m²", step=1.0, decimals=0),
    ),
    # Water content is per cent of dry mass in both systems.
    "w_pct": (
        Shown(per_si=1.0, unit="%", step=0.1, decimals=1),
        Shown(per_si=1.0, unit="%", step=0.1, decimals=1),
    ),
}


def shown(quantity: str, si_value: float, units: str) -> tuple[float, int, str]:
    """Return (rounded value, decimals, unit) of a quantity as a reader of `units` ("metric" or "us") sees it.

    Halves round away from zero, as people do. NaN stays NaN. Raises KeyError for an unknown quantity or unit system.
    """
    row = QUANTITIES[quantity][{"metric": 0, "us": 1}[units]]
    value = si_value * row.per_si + row.offset
    if math.isnan(value):
        return value, row.decimals, row.unit
    is_fine = abs(value) < row.fine_below
    step, decimals = (row.fine_step, row.fine_decimals) if is_fine else (row.step, row.decimals)
    # The tiny nudge keeps 2.5 exact halves from falling to binary dust.
    rounded = math.copysign(math.floor(abs(value) / step + 0.5 + 1e-9) * step, value)
    return round(rounded, decimals) + 0.0, decimals, row.unit


def wind_2m_m_s(wind_m_s: float, height_m: float) -> float:
    """Return wind speed at 2 m from a measurement at another height over short grass [m/s].

    Source: FAO-56, eq. 47. Checked in tests/published/fao56_building_blocks.toml.
    """
    return wind_m_s * 4.87 / math.log(67.8 * height_m - 5.42)


WIND_2M_OF_10M = wind_2m_m_s(1.0, 10.0)  # forecasts tell the wind at 10 m, reference evapotranspiration wants it at 2 m
