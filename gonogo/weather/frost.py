"""How deep the frost stands in a lift, from the temperature of its surface.

The modified Berggren equation: depth = lambda sqrt(48 k n F / L) in feet, BTU, degrees Fahrenheit and days, here in SI.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from gonogo.times import as_hour
from gonogo.units import KG_M3_PER_LB_FT3

Floats = npt.NDArray[np.float64]

LATENT_HEAT_J_KG = 334_000.0  # ice; 144 BTU/lb in TM 5-852-6
GRAIN_HEAT_J_KG_K = 711.0  # soil grains; 0.17 BTU/lb F in TM 5-852-6
WATER_HEAT_J_KG_K = 4187.0
W_M_K_PER_BTU_IN = 0.1442279  # BTU in / (ft2 h F)
AIR_FACTOR = 0.7  # surface over air freezing index on bare soil (n-factor, UFC 3-130, from memory)
FROZEN_FROM_MM = 10.0  # a thinner crust breaks up when it is worked; common sense, no source
SPIN_UP_H = 72  # where the table's first days are frozen, the frost is older than the table ...
OLDER_FROST_D = 30.0  # ... and taken as so many days of such cold: our own assumption
DRY_SHARE = 0.8  # of optimum: a drier lift freezes deeper


def conductivity_w_m_k(dry_density_kg_m3: float, w_pct: float, *, is_granular: bool) -> float:
    """Return the thermal conductivity of frozen soil [W/m/K].

    Source: Kersten 1949 (University of Minnesota bulletin 28), equations for frozen fine and granular soils, from
    memory. Checked in tests/weather/test_frost.py.
    """
    density = dry_density_kg_m3 / KG_M3_PER_LB_FT3
    if is_granular:
        btu = 0.076 * 10 ** (0.013 * density) + 0.032 * 10 ** (0.0146 * density) * w_pct
    else:
        btu = 0.01 * 10 ** (0.022 * density) + 0.085 * 10 ** (0.008 * density) * w_pct
    return btu * W_M_K_PER_BTU_IN


def latent_heat_j_m3(dry_density_kg_m3: float, w_pct: float) -> float:
    """Return the heat that freezing takes out of a cubic metre of soil [J/m3].

    Source: TM 5-852-6, L = 144 BTU/lb of water. Checked in tests/weather/test_frost.py.
    """
    return LATENT_HEAT_J_KG * dry_density_kg_m3 * w_pct / 100.0


def correction(fusion: npt.ArrayLike, thermal_ratio: npt.ArrayLike) -> Floats:
    """Return lambda, the correction for heat stored in the soil [-], 0 to 1.

    fusion         heat capacity times mean frost of the surface over latent heat
    thermal_ratio  warmth of the soil before the frost over mean frost of the surface

    Source: closed form in use for Aldrich and Paynter 1953 (read in open code of the University of Alaska that follows
    UFC 3-130-06). Checked in tests/weather/test_frost.py.
    """
    return np.asarray(1.0 / np.sqrt(1.0 + np.asarray(fusion) * (np.asarray(thermal_ratio) + 0.5)))


def depth_m(index_degc_s: npt.ArrayLike, conductivity: float, latent: float, factor: npt.ArrayLike) -> Floats:
    """Return the depth of frost [m] of a surface freezing index [degC s].

    Source: TM 5-852-6, modified Berggren equation, lambda sqrt(2 k F / L). Checked in tests/weather/test_frost.py.
    """
    return np.asarray(np.asarray(factor) * np.sqrt(2.0 * conductivity * np.asarray(index_degc_s) / latent))


@dataclass(frozen=True, slots=True, kw_only=True)
class FrostBefore:
    """The frost that the ground's surface held at a moment [degC h]: what a season has put in and not yet taken out.

    at_utc   the moment; None: before whatever hours are asked about
    """

    at_utc: datetime | None
    index_degc_h: float


def frost_of_config(settings: Mapping[str, float]) -> FrostBefore | None:
    """Return the frost that a site's own setting names for the time before its first run, None where it names none."""
    degc_d = settings.get("frost_before_degc_d", 0.0)
    return FrostBefore(at_utc=None, index_degc_h=24.0 * degc_d) if degc_d > 0.0 else None


def at_row(before: FrostBefore | None, hour_utc: npt.NDArray[np.datetime64]) -> tuple[int, float] | None:
    """Return (row of the table, index at its start) of a frost put down earlier, None where it says nothing of it."""
    if before is None or not len(hour_utc):
        return None
    if before.at_utc is None:
        return 0, before.index_degc_h
    row = int((as_hour(before.at_utc) - hour_utc[0]).astype(np.int64))
    return (row, before.index_degc_h) if 0 <= row < len(hour_utc) else None


def index_degc_h(surface_degc: Floats, *, before: tuple[int, float] | None = None) -> Floats:
    """Return the surface freezing index at the end of each hour [degC h] (H,).

    surface_degc  of the soil's surface in the hour
    before        (row, index at the start of that row) that was put down; None: frost that is older than the table is
                  taken from its first days, see OLDER_FROST_D

    It runs: warmth takes from it what frost has put in, so that the same index thaws the depth again. Hours before the
    row of `before` keep what they have from the table itself.
    """
    if not len(surface_degc):
        return np.zeros(0)
    older = max(0.0, -float(surface_degc[:SPIN_UP_H].mean())) * OLDER_FROST_D * 24.0
    if before is None:
        return _running(surface_degc, older)
    row, kept = before
    return np.concatenate([_running(surface_degc[:row], older), _running(surface_degc[row:], kept)])


def _running(surface_degc: Floats, start: float) -> Floats:
    """Return a sum of frost that begins at `start` and never falls below 0."""
    warmed = np.cumsum(-surface_degc) + start
    return np.asarray(warmed - np.minimum.accumulate(np.minimum(warmed, 0.0)))


def frost_depth_mm(
    index_degc_h: Floats,
    surface_degc: Floats,
    *,
    dry_density_kg_m3: float,
    w_pct: float,
    is_granular: bool,
    soil_degc: float,
) -> Floats:
    """Return how deep the frost stands at the end of each hour [mm] (H,).

    index_degc_h  surface freezing index at the end of the hour
    surface_degc  of the soil's surface in the hour
    w_pct         water content, above 0
    soil_degc     of the soil below, before the frost
    """
    conductivity = conductivity_w_m_k(dry_density_kg_m3, w_pct, is_granular=is_granular)
    latent = latent_heat_j_m3(dry_density_kg_m3, w_pct)
    capacity = dry_density_kg_m3 * (GRAIN_HEAT_J_KG_K + 0.75 * w_pct / 100.0 * WATER_HEAT_J_KG_K)
    frost_degc = np.maximum(_mean_frost(surface_degc), 0.5)
    factor = correction(capacity * frost_degc / latent, max(soil_degc, 0.0) / frost_degc)
    return 1000.0 * depth_m(3600.0 * index_degc_h, conductivity, latent, factor)


def _mean_frost(surface_degc: Floats) -> Floats:
    """Return the mean frost of the frozen hours up to each hour [degC], 0 where there was none."""
    below = np.maximum(-surface_degc, 0.0)
    hours = np.cumsum(below > 0.0)
    return np.asarray(np.cumsum(below) / np.maximum(hours, 1))


def surface_degc(temp_degc: Floats, surface_temp_degc: Floats) -> Floats:
    """Return the surface's temperature: the service's, else the air's with the n-factor of bare soil on its frost."""
    from_air = np.where(temp_degc < 0.0, AIR_FACTOR * temp_degc, temp_degc)
    return np.where(np.isnan(surface_temp_degc), from_air, surface_temp_degc)
