"""What each disking does: it mixes what has dried on top with what has not, and moist soil lies open again."""

from __future__ import annotations

import lifts
import numpy as np
import pytest
from lifts import N_MEMBERS, N_STRIPS

from gonogo.soil.layers import SoilState
from gonogo.soil.rain import SURFACE_INDEX, SURFACES
from gonogo.soil.sky import moist_share

SCARIFIED = SURFACE_INDEX["scarified"]
N_HOURS = 24 * 6
HOURS = np.arange(N_HOURS)
HOT, MILD = 0.6, 0.15  # reference evapotranspiration at noon [mm/h]
READY_MM = np.full(N_STRIPS, 9.0)


def water_mm(disked: list[int], noon_mm: float = HOT, rain_mm: float = 0.0) -> np.ndarray:
    """Water in the first lift of the plain loam (H + 1,) that is disked at some hours, open from the first hour on."""
    soil = lifts.params(resupply_frac_h=0.002, evaporation_factor=0.7)
    turned = np.zeros((N_HOURS, N_STRIPS), dtype=np.bool_)
    turned[disked] = True
    sun = np.maximum(noon_mm * np.sin((HOURS % 24 - 6) / 12 * np.pi), 0.0)
    rain = np.zeros((N_HOURS, N_MEMBERS))
    rain[40:44] = rain_mm / 4.0
    weather = lifts.weather(
        N_HOURS,
        et0_mm=sun,
        rain_mm=rain,
        surface=np.full((N_HOURS, N_STRIPS), SCARIFIED),
        turned=turned,
        moist=moist_share(turned, 1.2 * sun, READY_MM),
    )
    start = lifts.state(soil, 0.24)  # below field capacity: nothing drains
    path = lifts.run(SoilState(top_mm=start.top_mm, base_mm=start.base_mm), soil, **weather)
    return np.asarray(path.top_mm[:, 0, 0] + path.base_mm[:, 0, 0])


def test_each_disking_of_a_day_dries_the_lift_further() -> None:
    undisked, once, twice = water_mm([]), water_mm([9]), water_mm([9, 13])
    assert undisked[24] > once[24] > twice[24]
    daily = [24 * day + 9 for day in range(6)]
    twice_daily = sorted([*daily, *(hour + 4 for hour in daily)])
    ends = [water_mm(disked)[-1] for disked in ([], [9], daily, twice_daily)]
    assert ends == sorted(ends, reverse=True)
    assert ends[1] - ends[2] > 1.0  # mm: who disks every day is ahead of who disks once
    assert ends[2] - ends[3] > 0.2


def test_a_second_disking_counts_for_more_the_more_the_air_asks() -> None:
    gain_hot, gain_mild = (water_mm([9], noon)[48] - water_mm([9, 13], noon)[48] for noon in (HOT, MILD))
    assert gain_hot > 2.0 * gain_mild > 0.0


@pytest.mark.parametrize("disked", [[], [9], [9, 13], [9, 13, 33, 37]])
def test_more_drying_weather_never_leaves_a_disked_lift_wetter(disked: list[int]) -> None:
    for low, high in ((0.1, 0.2), (0.2, 0.4), (0.4, 0.8)):
        for rain_mm in (0.0, 6.0):
            assert np.all(water_mm(disked, high, rain_mm) <= water_mm(disked, low, rain_mm) + 1e-9)
            assert np.all(water_mm(disked, low, rain_mm) >= water_mm(disked, low) - 1e-9)


def test_turned_up_soil_is_moist_until_the_air_has_asked_for_its_readily_evaporable_water() -> None:
    turned = np.zeros((8, 2), dtype=np.bool_)
    turned[2, 0] = turned[6, 0] = True
    share = moist_share(turned, np.array([5.0, 5.0, 1.0, 2.0, 0.0, 4.0, 1.0, 0.0]), np.array([4.0, 4.0]))
    assert share[:, 0] == pytest.approx([0.0, 0.0, 1.0, 0.75, 0.25, 0.25, 1.0, 0.75])
    assert np.all(share[:, 1] == 0.0)


def test_moist_soil_that_was_turned_up_dries_at_the_bare_soil_limit() -> None:
    """FAO-56, ch. 7: stage one. The lift's own share of the limit is that of soil with a dry layer on it."""
    lost_mm = water_mm([9])[9] - water_mm([9])[10]
    asked_mm = 1.2 * HOT * np.sin(3 / 12 * np.pi)
    assert lost_mm == pytest.approx(asked_mm, rel=1e-6)
    assert SURFACES["scarified"].evaporation_factor == SURFACES["loose"].evaporation_factor
