"""Conversions against published factors, and roundings as a driver uses them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gonogo import units


@pytest.mark.parametrize(
    ("ours", "published"),
    [
        # NIST Special Publication 811 (2008), appendix B.8, from memory; printed digits.
        (units.LITRE_PER_GALLON, 3.785412),
        (units.KG_PER_POUND, 0.4535924),
        (units.KG_M3_PER_LB_FT3, 16.01846),
        (units.LITRES_M2_PER_GAL_YD2, 4.527314),
        (units.M_S_PER_MILE_H, 0.44704),
        (units.M_S_PER_KNOT, 0.5144444),
    ],
)
def test_factors_meet_the_printed_ones(ours: float, published: float) -> None:
    assert ours == pytest.approx(published, rel=1e-6)


@pytest.mark.parametrize(
    ("quantity", "si", "system", "value", "unit"),
    [
        ("litres", 8750.0, "metric", 8800.0, "L"),
        ("litres", 8750.0, "us", 2300.0, "gal"),
        ("litres", 444.0, "metric", 440.0, "L"),
        ("litres_m2", 10.94, "metric", 10.9, "L/m²"),
        ("litres_m2", 10.94, "us", 2.4, "gal/yd²"),
        ("speed_km_h", 6.0, "us", 3.7, "mph"),
        ("temp_degc", -0.4, "metric", 0.0, "°C"),
        ("temp_degc", -40.0, "us", -40.0, "°F"),
        ("thickness_m", 0.25, "us", 10.0, "in"),
        ("dry_density_kg_m3", 1760.0, "us", 110.0, "lb/ft³"),
        ("rain_mm", 0.5, "metric", 0.5, "mm"),
        ("rain_mm", 0.5, "us", 0.02, "in"),
        ("rain_mm", 3.0, "us", 0.10, "in"),
    ],
)
def test_numbers_are_rounded_once_for_their_reader(
    quantity: str, si: float, system: str, value: float, unit: str
) -> None:
    shown, _, printed = units.shown(quantity, si, system)
    assert shown == pytest.approx(value)
    assert printed == unit


def test_nothing_is_shown_as_minus_zero() -> None:
    value, _, _ = units.shown("temp_degc", -0.2, "metric")
    assert math.copysign(1.0, value) == 1.0


def test_unknown_stays_unknown() -> None:
    assert math.isnan(units.shown("litres", math.nan, "us")[0])


def test_an_unknown_unit_system_is_refused() -> None:
    with pytest.raises(KeyError):
        units.shown("litres", 1.0, "imperial")


@given(st.floats(0.0, 1e6), st.sampled_from(sorted(units.QUANTITIES)), st.sampled_from(["metric", "us"]))
def test_rounding_moves_a_number_by_half_a_step_at_most(si: float, quantity: str, system: str) -> None:
    row = units.QUANTITIES[quantity][("metric", "us").index(system)]
    value, _, _ = units.shown(quantity, si, system)
    assert abs(value - (si * row.per_si + row.offset)) <= max(row.step, row.fine_step) / 2 + 1e-6 * max(1.0, value)


def test_wind_comes_down_to_two_metres() -> None:
    # FAO-56 Example 14: 3.2 m/s at 10 m is 2.4 m/s at 2 m, factor 0.748.
    assert units.wind_2m_m_s(3.2, 10.0) == pytest.approx(2.4, abs=0.05)
    assert units.wind_2m_m_s(1.0, 10.0) == pytest.approx(0.748, abs=0.0005)


@pytest.mark.parametrize(
    ("quantity", "si", "metric", "us"),
    [
        # Halves away from zero, below a half down: what a reader sees is the nearest that the step allows.
        ("litres", 8749.0, 8700.0, 2300.0),
        ("litres", 1049.0, 1000.0, 275.0),
        ("litres", 995.0, 1000.0, 265.0),
        ("litres", 994.0, 990.0, 265.0),
        ("rain_mm", 9.7, 9.5, 0.4),
        ("rain_mm", 12.4, 12.0, 0.5),
        ("length_m", 99.4, 99.0, 325.0),
        ("wind_m_s", 10.0, 36.0, 22.0),
        ("temp_degc", 21.5, 22.0, 71.0),
        ("temp_degc", -2.5, -3.0, 28.0),
        ("temp_degc", 37.0, 37.0, 99.0),
        ("w_pct", 12.34, 12.3, 12.3),
        ("w_pct", 12.35, 12.4, 12.4),
        ("area_m2", 804.0, 800.0, 960.0),
        ("thickness_m", 0.246, 250.0, 9.5),
        ("dry_density_kg_m3", 1764.0, 1.76, 110.0),
        ("speed_km_h", 4.74, 4.7, 2.9),
        ("litres_m2", 3.96, 4.0, 0.85),
    ],
)
def test_each_quantity_has_its_own_step_in_both_systems(quantity: str, si: float, metric: float, us: float) -> None:
    assert units.shown(quantity, si, "metric")[0] == pytest.approx(metric)
    assert units.shown(quantity, si, "us")[0] == pytest.approx(us)


def test_exact_factors_are_the_defined_ones() -> None:
    """International yard and pound, US gallon of 231 cubic inches: exact by definition."""
    assert units.LITRE_PER_GALLON == pytest.approx(231.0 * 0.0254**3 * 1000.0)
    assert units.MM_PER_INCH == 1000.0 * units.METRE_PER_INCH == 25.4
    assert units.METRE_PER_YARD == pytest.approx(3.0 * units.METRE_PER_FOOT) == pytest.approx(36.0 * 0.0254)
    assert pytest.approx(1760.0 * 0.9144 / 1000.0) == units.KM_PER_MILE
    assert units.MJ_M2_H_PER_W_M2 == 0.0036
    assert units.degc_from_degf(212.0) == pytest.approx(100.0)
    assert 100.0 * units.M_S_PER_KM_H == pytest.approx(27.7778, abs=1e-4)
