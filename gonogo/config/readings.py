"""What a moisture test can be in its lift: one judgement for the config and for what is recorded."""

from __future__ import annotations

from gonogo.errors import SoilError
from gonogo.records.site import Material
from gonogo.soil.compaction import relative_compaction_pct, require_below_zav, saturated_w_pct
from gonogo.soil.readings import METHOD_ERROR_PCT


def impossible(
    w_pct: float, *, method: str, dry_density_kg_m3: float | None, as_spread_kg_m3: float, material: Material
) -> tuple[str, str, str] | None:
    """Return (key, what is wrong, what would be right) of a test that physics forbids, None where it may be.

    method              twice its error is let through; an unknown one has none
    dry_density_kg_m3   where it was tested; without it the lift's own, as spread, is the loosest that it can be
    """
    if dry_density_kg_m3 is None:
        most_pct = float(saturated_w_pct(as_spread_kg_m3, material.specific_gravity))
        if w_pct <= most_pct + 2.0 * METHOD_ERROR_PCT.get(method, 0.0):
            return None
        wrong = f"is more water than the lift's pores hold: {most_pct:.0f} % at {as_spread_kg_m3:g} kg/m3."
        return "w_pct", wrong, "Write percent of dry mass; repeat the test, or give its own dry density."
    try:
        relative_compaction_pct(dry_density_kg_m3, material.mdd_kg_m3)
        require_below_zav(w_pct, dry_density_kg_m3, material.specific_gravity)
    except SoilError as error:
        return "dry_density_kg_m3", f"is impossible: {error}", "Repeat the test or correct it."
    return None
