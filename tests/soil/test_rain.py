"""What the surface lets in."""

from __future__ import annotations

import numpy as np
import pytest

from gonogo.errors import SoilError
from gonogo.soil import rain
from gonogo.soil.classes import SOIL_CLASSES


def test_a_compacted_surface_lets_less_water_in_than_a_loose_one() -> None:
    """Common practice, no source."""
    assert rain.SURFACES["sealed"].intake_factor < rain.SURFACES["loose"].intake_factor
    assert rain.SURFACES["sealed"].evaporation_factor < rain.SURFACES["loose"].evaporation_factor
    assert rain.SURFACES["scarified"].turned_factor > rain.SURFACES["loose"].evaporation_factor


def test_every_surface_says_where_its_numbers_come_from() -> None:
    assert list(rain.SURFACES) == ["loose", "scarified", "sealed"]
    assert rain.SURFACE_INDEX == {"loose": 0, "scarified": 1, "sealed": 2}
    assert all(state.source for state in rain.SURFACES.values())


def test_sand_takes_in_more_than_clay_and_every_class_something() -> None:
    intake = {name: rain.loose_intake_mm_h(row) for name, row in SOIL_CLASSES.items()}
    assert intake["sand"] > intake["sandy_loam"] > intake["loam"] > intake["clay"] > 1.0


def test_green_ampt_solves_its_own_equation_and_grows_with_time() -> None:
    time_h = np.array([0.0, 0.01, 0.1, 1.0, 10.0, 100.0])
    depth = rain.green_ampt_depth_mm(time_h, k_sat_mm_h=3.4, suction_mm=88.9, deficit=0.2)
    reach = 88.9 * 0.2
    assert depth - reach * np.log1p(depth / reach) == pytest.approx(3.4 * time_h, abs=1e-9)
    assert np.all(np.diff(depth) > 0.0)
    assert depth[0] == 0.0


def test_a_loose_surface_takes_in_what_an_hour_of_ponding_on_a_half_wet_soil_does() -> None:
    for row in SOIL_CLASSES.values():
        depth, reach = rain.loose_intake_mm_h(row), row.suction_mm * row.theta_e / 2.0
        assert depth - reach * np.log1p(depth / reach) == pytest.approx(row.k_sat_mm_h)


def test_green_ampt_refuses_a_soil_that_is_full() -> None:
    with pytest.raises(SoilError):
        rain.green_ampt_depth_mm(1.0, k_sat_mm_h=3.4, suction_mm=88.9, deficit=0.0)


def test_a_drizzle_soaks_in_and_a_cloudburst_fills_the_capacity() -> None:
    assert rain.taken_in_mm(0.01, 12.0) == pytest.approx(0.01, rel=1e-3)
    assert rain.taken_in_mm(500.0, 12.0) == pytest.approx(12.0)


def test_snow_lies_until_it_thaws_and_all_of_it_comes_down_as_water() -> None:
    snow = np.zeros(100)
    snow[10:20] = 1.0
    temp = np.where(np.arange(100) < 40, -3.0, 4.0)
    melted = rain.melt_mm(snow, temp)
    assert np.all(melted[:40] == 0.0)
    assert melted[40] == pytest.approx(4.0 * 2.74 / 24.0)
    assert melted.sum() == pytest.approx(10.0)
    assert rain.melt_mm(np.zeros(5), np.full(5, 10.0)).sum() == 0.0


@pytest.mark.parametrize("name", SOIL_CLASSES)
def test_a_loose_lift_takes_in_its_first_hour_what_green_and_ampt_give_half_empty_pores(name: str) -> None:
    row = SOIL_CLASSES[name]
    depth, reach = rain.loose_intake_mm_h(row), row.suction_mm * row.theta_e / 2.0
    assert depth - reach * np.log1p(depth / reach) == pytest.approx(row.k_sat_mm_h)
    assert depth > row.k_sat_mm_h


def test_a_sealed_surface_takes_in_a_fourteenth_of_a_loose_one() -> None:
    """The root of a two hundredth of the conductivity; evaporation factors are our own: within a quarter of loose."""
    assert rain.SURFACES["sealed"].intake_factor == pytest.approx(0.005**0.5, abs=0.001)
    assert rain.SURFACES["loose"].intake_factor == rain.SURFACES["scarified"].intake_factor == 1.0
    assert all(0.75 <= state.evaporation_factor <= 1.25 for state in rain.SURFACES.values())


def test_only_what_disking_turned_up_dries_faster_and_no_faster_than_the_bare_soil_limit() -> None:
    for name, state in rain.SURFACES.items():
        assert (state.turned_factor > state.evaporation_factor) == (name == "scarified")
        assert state.turned_factor * rain.OPEN_SHARE <= 1.0


def test_melted_snow_is_gone_and_frost_melts_nothing() -> None:
    snow = np.zeros(400)
    snow[0] = 5.0
    thawing = rain.melt_mm(snow, np.full(400, 1.0))
    assert thawing.sum() == pytest.approx(5.0)
    # 5 mm at 2.74 mm a day for each degree: 44 hours.
    assert np.flatnonzero(thawing)[-1] + 1 == 44
    assert rain.melt_mm(snow, np.full(400, -8.0)).sum() == 0.0
