"""Phase relations round trip; every limit of the laboratory curve accepts its right side and refuses its wrong one."""

from __future__ import annotations

import numpy as np
import pytest

from gonogo.errors import SoilError
from gonogo.soil import compaction
from gonogo.soil.bare_soil import SURFACE_LAYER_MM, total_evaporable_mm
from gonogo.soil.classes import SOIL_CLASSES

W = [10.0, 11.0, 12.0, 13.0, 14.0]
DENSITY = [1857.0, 1959.0, 1972.0, 1969.0, 1925.0]


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


@pytest.mark.parametrize(
    ("low", "high", "target", "is_taken"),
    [
        (-2.0, 2.0, 1900.0, True),
        (2.0, -2.0, 1900.0, False),
        (-16.0, 2.0, 1900.0, False),
        (-2.0, 2.0, 1950.0, False),  # saturated at 13.7 %, so 14 % cannot be that dense
    ],
)
def test_a_window_must_lie_in_physics(low: float, high: float, target: float, is_taken: bool) -> None:
    window = {"omc_pct": 16.0, "window_low_pct": low, "window_high_pct": high}
    if is_taken:
        compaction.require_possible_window(**window, target_dry_density_kg_m3=target, specific_gravity=2.65)
    else:
        with pytest.raises(SoilError):
            compaction.require_possible_window(**window, target_dry_density_kg_m3=target, specific_gravity=2.65)


def test_the_order_of_the_points_does_not_matter() -> None:
    mixed = [3, 0, 4, 2, 1]
    fit = compaction.fit_curve(W, DENSITY, specific_gravity=2.65)
    again = compaction.fit_curve([W[i] for i in mixed], [DENSITY[i] for i in mixed], specific_gravity=2.65)
    assert again == fit


@pytest.mark.parametrize(
    ("w", "density", "fault"),
    [
        (W[:3], DENSITY[:3], "four points"),
        (W, DENSITY[:4], "four points"),
        ([10, 11, 12, 12, 14], DENSITY, "share a water content"),
        (W, sorted(DENSITY), "wetter end"),
        (W, sorted(DENSITY, reverse=True), "drier end"),
        (W, [1.857, 1.959, 1.972, 1.969, 1.925], "between"),
        ([0.10, 0.11, 0.12, 0.13, float("nan")], DENSITY, "between"),
        (W, [1857, 1959, 1972, 1990, 1980], "zero-air-voids"),
    ],
)
def test_a_curve_that_cannot_be_is_refused(w: list[float], density: list[float], fault: str) -> None:
    with pytest.raises(SoilError, match=fault):
        compaction.fit_curve(w, density, specific_gravity=2.65)


def test_a_parabola_that_overshoots_physics_falls_back_on_the_highest_point() -> None:
    w, density = [8.6, 10.6, 12.5, 14.9, 16.7], [1637.0, 1802.0, 2002.0, 1932.0, 1655.0]
    fit = compaction.fit_curve(w, density, specific_gravity=2.75)
    assert (fit.omc_pct, fit.mdd_kg_m3) == (12.5, 2002.0)


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
