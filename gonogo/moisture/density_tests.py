"""What a density test of a lift comes to, and whether it is accepted."""

from __future__ import annotations

from gonogo.errors import SoilError
from gonogo.records.field import Reading
from gonogo.records.site import Material
from gonogo.soil.density import DensityResult, density_result


def judged(reading: Reading, material: Material) -> tuple[DensityResult, bool] | None:
    """Return what a density test comes to and whether it is accepted, None without a possible density."""
    if reading.dry_density_kg_m3 is None:
        return None
    try:
        result = density_result(
            reading.w_pct,
            reading.dry_density_kg_m3,
            mdd_kg_m3=material.mdd_kg_m3,
            specific_gravity=material.specific_gravity,
        )
    except SoilError:  # it was stored before such tests were refused: it says nothing
        return None
    if material.method is not None:  # passes decide, not density
        return result, True
    is_dense = result.compaction_pct >= material.required_compaction_pct
    is_tight = material.air_voids_max_pct is None or result.air_voids_pct <= material.air_voids_max_pct
    return result, is_dense and is_tight
