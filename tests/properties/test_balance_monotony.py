"""Facts of the trade that hold for any soil and any weather. Common practice, no source."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import lifts
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from gonogo.soil import rain
from gonogo.soil.balance import MoisturePath
from gonogo.soil.layers import SoilParams, SoilState

SEEDS = st.integers(min_value=0, max_value=2**32 - 1)
SLACK_MM = 1e-6  # draining stops below 1e-9 mm, at different hours in different runs


def drawn(seed: int) -> tuple[np.random.Generator, SoilParams, SoilState, dict[str, Any]]:
    rng = np.random.default_rng(seed)
    soil = lifts.drawn_params(rng)
    if seed % 3 == 0:
        soil = lifts.one_layer(soil)
    return rng, soil, lifts.drawn_state(soil, rng), lifts.drawn_weather(rng)


def is_nowhere_drier(wetter: MoisturePath, other: MoisturePath) -> bool:
    return bool(np.all(wetter.top_mm >= other.top_mm - SLACK_MM) and np.all(wetter.base_mm >= other.base_mm - SLACK_MM))


@settings(max_examples=25, deadline=None)
@given(seed=SEEDS, more_mm=st.floats(min_value=0.0, max_value=40.0))
def test_more_rain_never_ends_drier(seed: int, more_mm: float) -> None:
    rng, soil, start, weather = drawn(seed)
    extra = weather["rain_mm"] + more_mm * (rng.random(weather["rain_mm"].shape) < 0.2)
    assert is_nowhere_drier(lifts.run(start, soil, **(weather | {"rain_mm": extra})), lifts.run(start, soil, **weather))


@settings(max_examples=25, deadline=None)
@given(seed=SEEDS, litres_m2=st.floats(min_value=0.0, max_value=40.0))
def test_more_truck_water_never_ends_drier(seed: int, litres_m2: float) -> None:
    rng, soil, start, weather = drawn(seed)
    extra = weather["watering_mm"] + litres_m2 * (rng.random(weather["watering_mm"].shape) < 0.1)
    assert is_nowhere_drier(
        lifts.run(start, soil, **(weather | {"watering_mm": extra})), lifts.run(start, soil, **weather)
    )


@settings(max_examples=25, deadline=None)
@given(seed=SEEDS, factor=st.floats(min_value=1.0, max_value=5.0))
def test_more_demand_never_ends_wetter(seed: int, factor: float) -> None:
    _, soil, start, weather = drawn(seed)
    thirsty = weather | {"et0_mm": np.where(weather["et0_mm"] > 0.0, weather["et0_mm"] * factor, weather["et0_mm"])}
    assert is_nowhere_drier(lifts.run(start, soil, **weather), lifts.run(start, soil, **thirsty))


@settings(max_examples=25, deadline=None)
@given(seed=SEEDS, share=st.floats(min_value=0.0, max_value=1.0))
def test_a_wetter_start_never_ends_drier(seed: int, share: float) -> None:
    _, soil, start, weather = drawn(seed)
    room_top = np.maximum(soil.theta_sat * soil.top_thickness_mm - start.top_mm, 0.0)
    room_base = np.maximum(soil.theta_sat * soil.base_thickness_mm - start.base_mm, 0.0)
    wetter = SoilState(top_mm=start.top_mm + share * room_top, base_mm=start.base_mm + share * room_base)
    assert is_nowhere_drier(lifts.run(wetter, soil, **weather), lifts.run(start, soil, **weather))


@settings(max_examples=25, deadline=None)
@given(seed=SEEDS)
def test_a_compacted_surface_lets_less_water_in_than_a_loose_one(seed: int) -> None:
    _, soil, start, weather = drawn(seed)
    dry = {"et0_mm": np.zeros(48), "watering_mm": np.zeros((48, lifts.N_STRIPS))}
    loose = np.full((48, lifts.N_STRIPS), rain.SURFACE_INDEX["loose"])
    sealed = np.full((48, lifts.N_STRIPS), rain.SURFACE_INDEX["sealed"])
    taken_loose = lifts.run(start, soil, **(weather | dry | {"surface": loose})).infiltration_mm
    taken_sealed = lifts.run(start, soil, **(weather | dry | {"surface": sealed})).infiltration_mm
    assert np.all(taken_sealed <= taken_loose + SLACK_MM)


@settings(max_examples=25, deadline=None)
@given(seed=SEEDS, factor=st.floats(min_value=1.0, max_value=10.0))
def test_soil_that_drains_its_base_faster_never_ends_wetter(seed: int, factor: float) -> None:
    _, soil, start, weather = drawn(seed)
    faster = replace(soil, base_drainage_frac_h=np.minimum(soil.base_drainage_frac_h * factor, 1.0))
    assert is_nowhere_drier(lifts.run(start, soil, **weather), lifts.run(start, faster, **weather))


@given(
    supply=st.floats(min_value=0.0, max_value=200.0),
    more=st.floats(min_value=0.0, max_value=200.0),
    capacity=st.floats(min_value=0.01, max_value=300.0),
)
def test_the_surface_takes_in_no_more_than_comes_or_fits_and_more_of_more(
    supply: float, more: float, capacity: float
) -> None:
    taken = float(rain.taken_in_mm(supply, capacity))
    assert 0.0 <= taken <= min(supply, capacity) + 1e-9
    assert float(rain.taken_in_mm(supply + more, capacity)) >= taken - 1e-9
