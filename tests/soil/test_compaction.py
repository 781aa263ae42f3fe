"""Phase relations round trip; every limit accepts its right side and refuses its wrong one."""

from __future__ import annotations

import numpy as np
import pytest

from gonogo.errors import SoilError
from gonogo.soil import compaction
from gonogo.soil.bare_soil import SURFACE_LAYER_MM, total_evaporable_mm
from gonogo.soil.classes import SOIL_CLASSES


def test_volumetric_and_gravimetric_water_round_trip() -> None:
    w = np.linspace(1.0, 40.0, 20)
    back = compaction.w_pct_from_theta(compaction.theta_from_w_pct(w, 1650.0), 1650.0)
    assert back == pytest.approx(w, rel=1e-12)


def test_soil_at_its_saturated_water_content_lies_on_the_zero_air_voids_line() -> None:
    w = compaction.saturated_w_pct(1800.0, 2.68)
    assert compaction.zav_dry_density_kg_m3(w, 2.68) == pytest.approx(1800.0)
    assert compaction.saturation_pct(w, 1800.0, 2.68) == pytest.approx(100.0)
    assert compaction.air_voids_pct(w, 1800.0, 2.68) == pytest.approx(0.0, abs=1e-9)


def test_a_density_on_the_zero_air_voids_line_is_taken_and_one_above_is_refused() -> None:
    line = float(compaction.zav_dry_density_kg_m3(13.5, 2.65))
    compaction.require_below_zav(13.5, line, 2.65)
    with pytest.raises(SoilError, match="zero-air-voids"):
        compaction.require_below_zav(13.5, line + 1.0, 2.65)


def test_an_unknown_density_is_refused() -> None:
    with pytest.raises(SoilError):
        compaction.require_below_zav(13.5, float("nan"), 2.65)


@pytest.mark.parametrize(
    ("density", "is_taken"), [(2099.0, True), (2101.0, False), (0.0, False), (float("nan"), False)]
)
def test_relative_compaction_is_taken_up_to_105_pct(density: float, is_taken: bool) -> None:
    if is_taken:
        assert compaction.relative_compaction_pct(density, 2000.0) == pytest.approx(density / 20.0)
    else:
        with pytest.raises(SoilError):
            compaction.relative_compaction_pct(density, 2000.0)


@pytest.mark.parametrize(("frac", "sieve", "is_taken"), [(0.40, "4.75 mm", True), (0.41, "4.75 mm", False),
                                                         (0.30, "19 mm", True), (0.31, "19 mm", False),
                                                         (-0.01, "19 mm", False), (0.1, "2 mm", False)])  # fmt: skip
def test_the_oversize_correction_keeps_to_its_limits(frac: float, sieve: str, is_taken: bool) -> None:
    def both() -> None:
        compaction.oversize_dry_density_kg_m3(1970.0, frac, bulk_specific_gravity=2.7, sieve=sieve)
        compaction.oversize_w_pct(12.0, frac, sieve=sieve)

    if is_taken:
        both()
    else:
        with pytest.raises(SoilError):
            both()


def test_five_per_cent_of_stones_or_less_change_nothing() -> None:
    assert compaction.oversize_dry_density_kg_m3(1970.0, 0.05, bulk_specific_gravity=2.7) == 1970.0
    assert compaction.oversize_w_pct(12.0, 0.05) == 12.0
    assert compaction.oversize_dry_density_kg_m3(1970.0, 0.06, bulk_specific_gravity=2.7) > 1970.0
    assert compaction.oversize_w_pct(12.0, 0.06) < 12.0


@pytest.mark.parametrize("reading", [-1.0, 100.0])
def test_a_reading_on_wet_mass_outside_its_range_is_refused(reading: float) -> None:
    with pytest.raises(SoilError):
        compaction.wet_to_dry_basis_pct(reading)


def test_every_soil_class_holds_together() -> None:
    for name, row in SOIL_CLASSES.items():
        assert row.theta_wp < row.theta_fc < row.theta_e, name
        assert row.rew_mm < total_evaporable_mm(row.theta_fc, row.theta_wp, SURFACE_LAYER_MM), name
        assert row.group in {"granular", "silty", "clayey"}, name
        assert row.source, name
        assert not row.is_granular or row.group == "granular", name
