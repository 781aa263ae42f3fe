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
        ("speed_km_h", 6.0, "us", 3.5, "mph"),
        ("temp_degc", -0.4, "metric", 0.0, "°C"),
        ("temp_degc", -40.0, "us", -40.0, "°F"),
        ("thickness_m", 0.25, "us", 10.0, "in"),
        ("dry_density_kg_m3", 1760.0, "us", 110.0, "lb/ft³"),
        ("rain_mm", 0.5, "metric", 0.5, "mm"),
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
