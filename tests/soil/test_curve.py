"""The laboratory curve: what is fitted, what is refused, and what is said to be looked at."""

from __future__ import annotations

import pytest

from gonogo.errors import SoilError
from gonogo.soil import curve

W = [10, 11, 12, 13, 14]
DENSITY = [1857, 1959, 1972, 1969, 1925]
PLAIN_W, PLAIN_DENSITY = [12.0, 14.1, 16.0, 18.2, 20.1], [1680.0, 1745.0, 1772.0, 1741.0, 1683.0]


def test_the_order_of_the_points_does_not_matter() -> None:
    mixed = [3, 0, 4, 2, 1]
    fit = curve.fit_curve(W, DENSITY, specific_gravity=2.65)
    again = curve.fit_curve([W[i] for i in mixed], [DENSITY[i] for i in mixed], specific_gravity=2.65)
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
        curve.fit_curve(w, density, specific_gravity=2.65)


def test_a_parabola_that_overshoots_physics_falls_back_on_the_highest_point() -> None:
    w, density = [8.6, 10.6, 12.5, 14.9, 16.7], [1637.0, 1802.0, 2002.0, 1932.0, 1655.0]
    fit = curve.fit_curve(w, density, specific_gravity=2.75)
    assert (fit.omc_pct, fit.mdd_kg_m3) == (12.5, 2002.0)


def notes(w: list[float], density: list[float], specific_gravity: float = 2.70) -> list[tuple[str, float]]:
    fit = curve.fit_curve(w, density, specific_gravity=specific_gravity)
    return [(note.key, note.w_pct) for note in fit.notes]


def test_a_plain_curve_has_nothing_to_look_at() -> None:
    assert notes(PLAIN_W, PLAIN_DENSITY) == []


def test_the_parabola_invents_no_density() -> None:
    # Its vertex would lie 3.7 % above the highest point: no test saw such a density.
    w, density = [10.0, 12.0, 14.0, 16.0, 18.0], [1700.0, 1705.0, 1800.0, 1799.0, 1500.0]
    fit = curve.fit_curve(w, density, specific_gravity=2.70)
    assert fit.mdd_kg_m3 <= 1.01 * max(density)
    steep = [10.0, 12.0, 13.9, 16.0, 18.0], [1560.0, 1600.0, 1800.0, 1795.0, 1590.0]
    fit = curve.fit_curve(*steep, specific_gravity=2.70)
    assert (fit.omc_pct, fit.mdd_kg_m3) == (13.9, 1800.0)
    assert ("overshoot", 13.9) in notes(*steep)


@pytest.mark.parametrize("first", [0, 1, 2, 3])
def test_two_swapped_points_are_noticed(first: int) -> None:
    density = list(PLAIN_DENSITY)
    density[first : first + 2] = density[first + 1], density[first]
    try:
        found = notes(PLAIN_W, density)
    except SoilError as error:
        assert "two humps" in str(error) or "no optimum" in str(error)  # noqa: PT017  either way it is noticed
    else:
        assert ("swapped", PLAIN_W[first]) in found


def test_of_six_points_two_swapped_ones_are_noticed_on_a_lopsided_curve() -> None:
    # A parabola leaves so much of a curve that is steeper on one side that the swap would not stand out.
    density = [1655.0, 1757.0, 1796.0, 1785.0, 1797.0, 1783.0]
    assert ("swapped", 14.0) in notes([8.0, 10.0, 12.0, 14.0, 16.0, 18.0], density)


def test_two_humps_are_refused_and_the_point_is_named() -> None:
    with pytest.raises(SoilError, match=r"14\.1 % \(1700 kg/m3\).*two humps"):
        curve.fit_curve(PLAIN_W, [1720.0, 1700.0, 1772.0, 1741.0, 1683.0], specific_gravity=2.70)
    assert curve.fit_curve(PLAIN_W, [1720.0, 1710.0, 1772.0, 1741.0, 1683.0], specific_gravity=2.70).omc_pct > 14.1


@pytest.mark.parametrize(("w", "n"), [(18.2, 0), (20.0, 0), (20.1, 1)])
def test_a_gap_of_over_four_points_beside_the_highest_is_said(w: float, n: int) -> None:
    found = notes([12.0, 14.1, 16.0, w, 22.0], [1680.0, 1745.0, 1772.0, 1741.0, 1600.0], 2.80)
    assert [key for key, _ in found].count("gap") == n


def test_a_peak_near_the_zero_air_voids_line_is_said() -> None:
    # At 16.0 % and 1840 kg/m3 a gravity of 2.65 leaves 96 % saturation, one of 2.75 leaves 89 %.
    w, density = [12.0, 14.0, 16.0, 18.0, 20.0], [1700.0, 1780.0, 1840.0, 1780.0, 1700.0]
    assert ("saturation", 16.0) in notes(w, density, 2.65)
    assert notes(w, density, 2.75) == []
