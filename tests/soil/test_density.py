"""A density test against its curve: what is impossible is refused, and what is reported has one decimal."""

from __future__ import annotations

import pytest

from gonogo.errors import SoilError
from gonogo.soil.density import density_result

CURVE = {"mdd_kg_m3": 1850.0, "specific_gravity": 2.68}


def test_a_density_above_the_zero_air_voids_line_is_refused_below_105_per_cent_too() -> None:
    """At 15 % the pores are gone at 2680 / (1 + 2.68 * 0.15) = 1911.6 kg/m3, which is 103.3 % of this maximum."""
    assert density_result(15.0, 1911.0, **CURVE).air_voids_pct == pytest.approx(0.0, abs=0.05)
    with pytest.raises(SoilError):
        density_result(15.0, 1930.0, **CURVE)


@pytest.mark.parametrize(("dry_density_kg_m3", "compaction_pct"), [(1750.1, 94.6), (1757.5, 95.0), (1757.0, 95.0)])
def test_relative_compaction_has_one_decimal(dry_density_kg_m3: float, compaction_pct: float) -> None:
    assert density_result(12.0, dry_density_kg_m3, **CURVE).compaction_pct == compaction_pct
