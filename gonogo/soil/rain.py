"""What becomes of water that reaches the surface: taken in or run off, by the state of the surface.

Two published ways: Green and Ampt for ponded water on a known soil, and the exponential spread of capacity that the
hourly balance uses, whose capacity comes from Green and Ampt.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gonogo.errors import SoilError
from gonogo.soil.classes import SoilClass

Floats = npt.NDArray[np.float64]
Number = float | Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceState:
    """One state of a strip's surface.

    intake_factor       what the first wet hour takes in, against a loose surface [-]
    evaporation_factor  evaporation against bare loose soil whose surface has dried [-]
    turned_factor       the same while all of the moist soil that disking turned up is still there [-]
    mixes_water         truck water is worked into the whole lift rather than left on top
    """

    intake_factor: float
    evaporation_factor: float
    turned_factor: float
    mixes_water: bool
    source: str


# A compacted surface has two to three orders less conductivity than the same soil in place. Early intake grows with its
# root (Green and Ampt), so a sealed surface takes in sqrt(0.005) = 0.07 of a loose one. How much slower a sealed one
# dries is our own assumption: common practice, no source. Loose soil that has dried on top gives OPEN_SHARE of the
# bare-soil limit, our own choice. Disking turns moist soil up: it gives all of the limit, as in stage one of FAO-56,
# and less and less of it until the demand of the air has been that of its readily evaporable water; then a dry layer
# lies on it again, as before.
OPEN_SHARE = 0.7
SURFACES: dict[str, SurfaceState] = {
    "loose": SurfaceState(
        intake_factor=1.0,
        evaporation_factor=1.0,
        turned_factor=1.0,
        mixes_water=True,
        source="Rawls et al. 1983 by soil class",
    ),
    "scarified": SurfaceState(
        intake_factor=1.0,
        evaporation_factor=1.0,
        turned_factor=1.0 / OPEN_SHARE,
        mixes_water=True,
        source="as loose; moist soil turned up dries at the bare-soil limit: FAO-56, ch. 7, stage one",
    ),
    "sealed": SurfaceState(
        intake_factor=0.07,
        evaporation_factor=0.75,
        turned_factor=0.75,
        mixes_water=False,
        source="compacted clays conduct two to three orders less than in place (tests in a Colorado mine permit); "
        "evaporation assumed, common practice",
    ),
}
SURFACE_INDEX: dict[str, int] = {name: i for i, name in enumerate(SURFACES)}


# 2.74 mm a day for each degree above freezing (0.06 in for each degree F; usual range 1.6 to 6.0 mm): NRCS National
# Engineering Handbook part 630, chapter 11, from memory.
MELT_MM_DEGC_H = 2.74 / 24.0
SETTLED_SNOW_MM_PER_MM = (
    4.0  # depth over water of snow that has lain: density 250 kg/m3, usual in handbooks, from memory
)
FRESH_SNOW_MM_PER_MM = 7.0  # of new snow, which the weather service takes for its own snowfall: 7 cm are 10 mm of water


def melt_mm(snow_mm: Floats, temp_degc: Floats, lying_before_mm: float = 0.0) -> Floats:
    """Return the water that lying snow gives off in each hour [mm], (H,).

    snow_mm          water equivalent falling as snow in the hour (H,) [mm]
    temp_degc        air temperature of the hour (H,)
    lying_before_mm  water equivalent that lies before the first hour [mm]

    Source: degree-day method of NRCS NEH 630, chapter 11, by the hour. Checked in tests/soil/test_rain.py.
    """
    melted = np.zeros_like(snow_mm)
    lying_mm = lying_before_mm
    for h, (fallen_mm, degc) in enumerate(zip(snow_mm.tolist(), temp_degc.tolist(), strict=True)):
        lying_mm += fallen_mm
        melted[h] = min(lying_mm, MELT_MM_DEGC_H * max(degc, 0.0))
        lying_mm -= melted[h]
    return melted


def early_intake_mm(time_h: Number, *, k_sat_mm_h: Number, suction_mm: Number, deficit: Number) -> Number:
    """Return the depth that has soaked in under a film of water while suction alone draws it [mm].

    Arguments as in green_ampt_depth_mm, of which it is the leading term: the whole depth is never less.
    Source: Green and Ampt 1911. Checked in tests/published/spray_bar.toml.
    """
    return np.sqrt(2.0 * k_sat_mm_h * suction_mm * deficit * time_h)


def green_ampt_depth_mm(
    time_h: Number, *, k_sat_mm_h: Number, suction_mm: Number, deficit: Number, n_iterations: int = 30
) -> Number:
    """Return the depth that has soaked in after a time under a film of water [mm].

    k_sat_mm_h  saturated conductivity [mm/h]
    suction_mm  suction at the wetting front [mm]
    deficit     pore volume still empty before wetting [m3/m3], above 0

    Solved by Newton's method from above, where it converges without overshoot.
    Source: Green and Ampt 1911 as in Chow, Maidment and Mays 1988. Checked in tests/published/green_ampt.toml.
    """
    reach = np.asarray(suction_mm * deficit, dtype=np.float64)
    if np.any(reach <= 0.0):
        raise SoilError(
            f"suction {suction_mm} mm times deficit {deficit}: both must be above 0, for example 110 and 0.3."
        )
    soaked = np.asarray(k_sat_mm_h * time_h, dtype=np.float64)
    early = early_intake_mm(time_h, k_sat_mm_h=k_sat_mm_h, suction_mm=suction_mm, deficit=deficit)
    depth = soaked + early  # never below the root
    for _ in range(n_iterations):
        residual = depth - reach * np.log1p(depth / reach) - soaked
        depth = depth - residual * (depth + reach) / np.maximum(depth, 1e-300)
    return np.asarray(np.where(soaked > 0.0, depth, 0.0))


def loose_intake_mm_h(soil: SoilClass) -> float:
    """Return what the loose, half-wet soil of a class takes in during its first hour under water [mm/h].

    Source: green_ampt_depth_mm with a deficit of half the effective porosity. Checked in tests/soil/test_rain.py.
    """
    return float(
        green_ampt_depth_mm(1.0, k_sat_mm_h=soil.k_sat_mm_h, suction_mm=soil.suction_mm, deficit=0.5 * soil.theta_e)
    )


def taken_in_mm(supply_mm: Number, capacity_mm: Number) -> Number:
    """Return how much of a supply soaks in during a step [mm], where capacity varies exponentially from spot to spot.

    supply_mm    rain or spray of the step [mm]
    capacity_mm  mean capacity of the step [mm], above 0

    Near 0 supply everything soaks in, under heavy rain the mean capacity does; more supply never soaks in less.
    Source: Yu, Rose, Coughlan and Fentie 1997 (spatially exponential infiltration capacity; form from memory).
    Checked in tests/properties/test_balance_monotony.py.
    """
    lost = -capacity_mm  # the sign once, for supply and result: this is called for every hour of rain
    return lost * np.expm1(supply_mm / lost)
