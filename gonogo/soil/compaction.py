"""Phase relations and the oversize correction; the laboratory curve stands in curve.py.

Water content is per cent of dry mass (`w_pct`), density kg/m3, and everything broadcasts. One litre of water weighs one
kilogram here: 1 mm of water on 1 m2 is 1 kg, so storage in mm and water in kg/m2 are the same number.
"""

from __future__ import annotations

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
