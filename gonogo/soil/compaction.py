"""Phase relations, the laboratory compaction curve and the oversize correction.

Water content is per cent of dry mass (`w_pct`), density kg/m3, and everything broadcasts. One litre of water weighs one
kilogram here: 1 mm of water on 1 m2 is 1 kg, so storage in mm and water in kg/m2 are the same number.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gonogo.errors import SoilError
from gonogo.soil.classes import SOIL_CLASSES as SOIL_CLASSES
from gonogo.soil.classes import SoilClass as SoilClass

Floats = npt.NDArray[np.float64]
Number = float | Floats

WATER_DENSITY_KG_M3 = 1000.0  # rounded, as every worked example of the trade does
RELATIVE_COMPACTION_MAX_PCT = 105.0  # above this the test or its curve is wrong: common practice
OVERSIZE_IGNORED_BELOW_FRAC = 0.05  # AASHTO T 224: no correction at 5 % or less
OVERSIZE_MAX_FRAC = {"4.75 mm": 0.40, "19 mm": 0.30}  # AASHTO T 224, ASTM D4718: largest share


# --- phase relations -----------------------------------------------------------------------------------------


def wet_to_dry_basis_pct(wet_basis_pct: Number) -> Number:
    """Return water content on dry mass [%] from a reading on wet mass [%], as carbide meters give it.

    Raises SoilError outside 0 to below 100.
    Source: identity r / (1 - r). Checked in tests/published/phase_relations.toml.
    """
    if np.any(np.asarray(wet_basis_pct) < 0.0) or np.any(np.asarray(wet_basis_pct) >= 100.0):
        raise SoilError(
            f"water content on wet mass = {wet_basis_pct} %: outside 0 to below 100. Write per cent, for example 12.5."
        )
    return 100.0 * wet_basis_pct / (100.0 - wet_basis_pct)


def void_ratio(dry_density_kg_m3: Number, specific_gravity: Number) -> Number:
    """Return void ratio e [-] of soil with a dry density [kg/m3] and a specific gravity of solids [-].

    Source: identity. Checked in tests/published/phase_relations.toml.
    """
    return specific_gravity * WATER_DENSITY_KG_M3 / dry_density_kg_m3 - 1.0


def porosity(dry_density_kg_m3: Number, specific_gravity: Number) -> Number:
    """Return pore volume per volume [m3/m3], the most water the soil can hold.

    Source: identity. Checked in tests/published/phase_relations.toml.
    """
    return 1.0 - dry_density_kg_m3 / (specific_gravity * WATER_DENSITY_KG_M3)


def saturation_pct(w_pct: Number, dry_density_kg_m3: Number, specific_gravity: Number) -> Number:
    """Return the share of the pores that water fills [%]; above 100 the input is impossible.

    Source: identity. Checked in tests/published/phase_relations.toml.
    """
    return w_pct * specific_gravity / void_ratio(dry_density_kg_m3, specific_gravity)


def air_voids_pct(w_pct: Number, dry_density_kg_m3: Number, specific_gravity: Number) -> Number:
    """Return air volume per total volume [%]; below 0 the input is impossible.

    Source: identity. Checked in tests/published/phase_relations.toml.
    """
    water_frac = w_pct / 100.0 * dry_density_kg_m3 / WATER_DENSITY_KG_M3
    return 100.0 * (porosity(dry_density_kg_m3, specific_gravity) - water_frac)


def zav_dry_density_kg_m3(w_pct: Number, specific_gravity: Number, saturation_pct: Number = 100.0) -> Number:
    """Return the dry density [kg/m3] at which water content w fills the pores (or a given share of them).

    Source: identity; the zero-air-voids line at 100 %. Checked in tests/published/phase_relations.toml.
    """
    w_frac = w_pct / 100.0
    return specific_gravity * WATER_DENSITY_KG_M3 / (1.0 + w_frac * specific_gravity / (saturation_pct / 100.0))


def saturated_w_pct(dry_density_kg_m3: Number, specific_gravity: Number) -> Number:
    """Return the water content [%] that fills the pores at a dry density: the zero-air-voids line read the other way.

    Source: identity. Checked in tests/published/phase_relations.toml.
    """
    return 100.0 * void_ratio(dry_density_kg_m3, specific_gravity) / specific_gravity


def theta_from_w_pct(w_pct: Number, dry_density_kg_m3: Number) -> Number:
    """Return volumetric water content [m3/m3] from water content [% of dry mass] and dry density [kg/m3].

    Source: identity. Checked in tests/soil/test_compaction.py.
    """
    return w_pct / 100.0 * dry_density_kg_m3 / WATER_DENSITY_KG_M3


def w_pct_from_theta(theta: Number, dry_density_kg_m3: Number) -> Number:
    """Return water content [% of dry mass] from volumetric water content [m3/m3] and dry density [kg/m3].

    Source: identity. Checked in tests/soil/test_compaction.py.
    """
    return 100.0 * theta * WATER_DENSITY_KG_M3 / dry_density_kg_m3


def relative_compaction_pct(dry_density_kg_m3: float, mdd_kg_m3: float) -> float:
    """Return field dry density as per cent of the laboratory maximum [%].

    Raises SoilError above 105 %, where the test or its curve is wrong, and for a density that is not positive.
    Source: identity. Checked in tests/published/phase_relations.toml.
    """
    if not (dry_density_kg_m3 > 0.0 and mdd_kg_m3 > 0.0):
        raise SoilError(
            f"dry density {dry_density_kg_m3} against maximum {mdd_kg_m3} kg/m3: both must exceed 0, for example 1850."
        )
    compaction_pct = 100.0 * dry_density_kg_m3 / mdd_kg_m3
    if compaction_pct > RELATIVE_COMPACTION_MAX_PCT:
        raise SoilError(
            f"relative compaction {compaction_pct:.1f} % ({dry_density_kg_m3:.0f} against {mdd_kg_m3:.0f} kg/m3): "
            f"above {RELATIVE_COMPACTION_MAX_PCT:.0f} % the field test is wrong or the curve is of another material. "
            "Repeat the test or run a new curve."
        )
    return compaction_pct


def require_below_zav(w_pct: float, dry_density_kg_m3: float, specific_gravity: float) -> None:
    """Raise SoilError where a dry density [kg/m3] lies above the zero-air-voids line at water content w [%].

    It holds for a target density at the reported moisture too.
    Source: phase identity. Checked in tests/published/phase_relations.toml.
    """
    limit_kg_m3 = float(zav_dry_density_kg_m3(w_pct, specific_gravity))
    # Half a kilogram lets a value rounded to whole kg/m3 stand on the line.
    if not dry_density_kg_m3 <= limit_kg_m3 + 0.5:
        raise SoilError(
            f"dry density {dry_density_kg_m3:.0f} kg/m3 at {w_pct:.1f} % lies above the zero-air-voids line "
            f"({limit_kg_m3:.0f} kg/m3 at specific gravity {specific_gravity:.2f}): no soil can be "
            "that dense and that wet. Check density, water content and specific gravity."
        )


def require_possible_window(
    *,
    omc_pct: float,
    window_low_pct: float,
    window_high_pct: float,
    target_dry_density_kg_m3: float,
    specific_gravity: float,
) -> None:
    """Raise SoilError where a moisture window cannot be met in physics.

    omc_pct                          optimum water content [%]
    window_low_pct, window_high_pct  allowed deviation from optimum [% points]
    target_dry_density_kg_m3         density that is asked for [kg/m3]; must be reachable at the dry end

    Source: phase identities. Checked in tests/soil/test_compaction.py.
    """
    if not window_low_pct < window_high_pct:
        raise SoilError(
            f"window from {window_low_pct:g} to {window_high_pct:g} points around optimum: the low end must lie "
            "below the high end, for example -2 to 2."
        )
    if not omc_pct + window_low_pct > 0.0:
        raise SoilError(
            f"window from {window_low_pct:g} points below an optimum of {omc_pct:g} %: reaches dry soil or less. "
            "Write points of water content, for example -2."
        )
    require_below_zav(omc_pct + window_low_pct, target_dry_density_kg_m3, specific_gravity)


# --- the laboratory curve ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveFit:
    """Peak of a laboratory compaction curve.

    omc_pct, mdd_kg_m3       optimum water content [%], maximum dry density [kg/m3]
    saturation_at_peak_pct   share of the pores filled at the peak [%]
    highest_point            index of the highest measured point, in order of water content
    """

    omc_pct: float
    mdd_kg_m3: float
    saturation_at_peak_pct: float
    highest_point: int


def fit_curve(w_pct: npt.ArrayLike, dry_density_kg_m3: npt.ArrayLike, *, specific_gravity: float) -> CurveFit:
    """Return optimum and maximum of a compaction curve: the parabola through the highest point and its two neighbours.

    w_pct              water contents of the test points [%], any order, no two alike
    dry_density_kg_m3  dry densities of the same points [kg/m3]
    specific_gravity   of the solids [-], places the zero-air-voids line

    The peak is never below the highest point and lies between its neighbours, as a curve drawn by hand would. Where the
    parabola overshoots the zero-air-voids line, the highest point itself stands.
    Raises SoilError with fewer than four points, two equal water contents, no point on one side of the peak, a value
    outside physics, or a point above the zero-air-voids line.
    Source: interpolation by parabola, common practice. Checked in tests/published/compaction_curves.toml.
    """
    w = np.asarray(w_pct, dtype=np.float64)
    density = np.asarray(dry_density_kg_m3, dtype=np.float64)
    if w.ndim != 1 or w.shape != density.shape or w.size < 4:
        raise SoilError(
            f"compaction curve with {w.size} water contents and {density.size} densities: at least four points with "
            "both are needed, two on each side of optimum."
        )
    if not (np.all((w > 0.0) & (w < 100.0)) and np.all((density > 300.0) & (density < 3500.0))):
        raise SoilError(
            "compaction curve: water contents must lie between 0 and 100 % of dry mass and dry densities between "
            f"300 and 3500 kg/m3; got {w.tolist()} % and {density.tolist()} kg/m3. Write for example 12.5 and 1850."
        )
    order = np.argsort(w)
    w, density = w[order], density[order]
    if np.any(np.diff(w) <= 0.0):
        raise SoilError(
            f"compaction curve: two points share a water content ({w.tolist()} %). Give each point its own."
        )
    top = int(np.argmax(density))
    if top in (0, w.size - 1):
        side = "drier" if top == 0 else "wetter"
        raise SoilError(
            f"compaction curve: the highest density stands at the {side} end ({w[top]:g} %), so no optimum shows. "
            f"Test at least one {side} point."
        )
    for point in range(w.size):
        require_below_zav(float(w[point]), float(density[point]), specific_gravity)
    # Newton's form of the parabola through three points; the middle one is the highest, so the curvature is negative.
    w0, w1, w2 = w[top - 1 : top + 2]
    d0, d1, d2 = density[top - 1 : top + 2]
    slope = (d1 - d0) / (w1 - w0)
    curvature = ((d2 - d1) / (w2 - w1) - slope) / (w2 - w0)
    if curvature == 0.0:  # three points level: the middle one stands for the peak
        omc_pct, mdd_kg_m3 = float(w1), float(d1)
    else:
        omc_pct = float((w0 + w1) / 2.0 - slope / (2.0 * curvature))
        mdd_kg_m3 = float(d0 + slope * (omc_pct - w0) + curvature * (omc_pct - w0) * (omc_pct - w1))
    if mdd_kg_m3 > float(zav_dry_density_kg_m3(omc_pct, specific_gravity)):
        omc_pct, mdd_kg_m3 = (
            float(w1),
            float(d1),
        )  # a steep curve overshoots what physics allows; the test point does not
    return CurveFit(
        omc_pct=omc_pct,
        mdd_kg_m3=mdd_kg_m3,
        saturation_at_peak_pct=float(saturation_pct(omc_pct, mdd_kg_m3, specific_gravity)),
        highest_point=top,
    )


# --- oversize ------------------------------------------------------------------------------------------------


def _require_oversize(oversize_frac: float, sieve: str) -> None:
    """Raise SoilError where the share of coarse particles is not one the correction holds for."""
    if sieve not in OVERSIZE_MAX_FRAC:
        raise SoilError(f"sieve {sieve!r}: the oversize correction knows {', '.join(OVERSIZE_MAX_FRAC)}.")
    if not 0.0 <= oversize_frac <= OVERSIZE_MAX_FRAC[sieve]:
        raise SoilError(
            f"oversize share {oversize_frac:g} on the {sieve} sieve: the correction holds from 0 to "
            f"{OVERSIZE_MAX_FRAC[sieve]:g} of dry mass. Write a fraction, for example 0.15, or test a coarser mould."
        )


def oversize_dry_density_kg_m3(
    fines_dry_density_kg_m3: float, oversize_frac: float, *, bulk_specific_gravity: float, sieve: str = "4.75 mm"
) -> float:
    """Return the dry density [kg/m3] of the whole material from that of its fines and its share of coarse particles.

    oversize_frac          share of dry mass retained on the sieve [-], up to 0.40 (4.75 mm) or 0.30 (19 mm)
    bulk_specific_gravity  of the coarse particles [-]

    Raises SoilError outside these limits. At 0.05 or less nothing is corrected.
    Source: AASHTO T 224, ASTM D4718. Checked in tests/published/oversize.toml.
    """
    _require_oversize(oversize_frac, sieve)
    if oversize_frac <= OVERSIZE_IGNORED_BELOW_FRAC:
        return fines_dry_density_kg_m3
    coarse_kg_m3 = bulk_specific_gravity * WATER_DENSITY_KG_M3
    fines_frac = 1.0 - oversize_frac
    return (
        fines_dry_density_kg_m3 * coarse_kg_m3 / (coarse_kg_m3 * fines_frac + fines_dry_density_kg_m3 * oversize_frac)
    )


def oversize_w_pct(
    fines_w_pct: float, oversize_frac: float, *, coarse_w_pct: float = 0.0, sieve: str = "4.75 mm"
) -> float:
    """Return the water content [%] of the whole material from that of its fines and of its coarse particles.

    Raises SoilError outside the limits of the correction. At 0.05 or less nothing is corrected.
    Source: AASHTO T 224, ASTM D4718. Checked in tests/published/oversize.toml.
    """
    _require_oversize(oversize_frac, sieve)
    if oversize_frac <= OVERSIZE_IGNORED_BELOW_FRAC:
        return fines_w_pct
    return (1.0 - oversize_frac) * fines_w_pct + oversize_frac * coarse_w_pct
