"""The water balance closes to 1e-9 mm in every step of every cell, whatever the soil and whatever happens."""

from __future__ import annotations

import lifts
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from gonogo.soil.block import Step
from gonogo.soil.rain import SURFACES

SEEDS = st.integers(min_value=0, max_value=2**32 - 1)


@settings(max_examples=30, deadline=None)
@given(seed=SEEDS, length_h=st.sampled_from([0.5, 1.0, 24.0]), n_parts=st.integers(1, 4), n_layers=st.integers(1, 2))
def test_the_balance_closes_in_every_step(seed: int, length_h: float, n_parts: int, n_layers: int) -> None:
    rng = np.random.default_rng(seed)
    soil = lifts.drawn_params(rng)
    if n_layers == 1:
        soil = lifts.one_layer(soil)
    start, weather = lifts.drawn_state(soil, rng), lifts.drawn_weather(rng)
    path = lifts.run(start, soil, **weather, step=Step(length_h=length_h, n_parts=n_parts), keep_fluxes=True)
    assert path.closure_error_mm < 1e-9
    # The same from the outside, so that the model does not only judge itself.
    held = path.top_mm + path.base_mm
    supply = weather["rain_mm"][:, None, :] + weather["watering_mm"][:, :, None]
    assert np.abs(np.diff(held, axis=0) - (path.infiltration_mm - path.evaporation_mm - path.drainage_mm)).max() < 1e-9
    assert np.abs(supply - path.infiltration_mm - path.runoff_mm).max() < 1e-9


@settings(max_examples=30, deadline=None)
@given(seed=SEEDS)
def test_no_layer_is_ever_drier_than_nothing_or_fuller_than_its_pores_and_no_flux_runs_backwards(seed: int) -> None:
    rng = np.random.default_rng(seed)
    soil = lifts.drawn_params(rng)
    path = lifts.run(lifts.drawn_state(soil, rng), soil, **lifts.drawn_weather(rng), keep_fluxes=True)
    for layer, thickness in ((path.top_mm, soil.top_thickness_mm), (path.base_mm, soil.base_thickness_mm)):
        assert layer.min() >= -1e-12
        assert (layer - soil.theta_sat * thickness).max() <= 1e-9
    for flux in (path.infiltration_mm, path.runoff_mm, path.evaporation_mm, path.drainage_mm):
        assert flux.min() >= -1e-12
        assert np.isfinite(flux).all()


@settings(max_examples=30, deadline=None)
@given(seed=SEEDS)
def test_evaporation_never_exceeds_the_demand(seed: int) -> None:
    rng = np.random.default_rng(seed)
    soil = lifts.drawn_params(rng)
    weather = lifts.drawn_weather(rng)
    path = lifts.run(lifts.drawn_state(soil, rng), soil, **weather, keep_fluxes=True)
    limit = np.maximum(weather["et0_mm"], 0.0) * weather["kc_max"]
    liveliest = max(state.turned_factor for state in SURFACES.values())
    highest = limit[:, None, None] * soil.evaporation_factor * liveliest
    assert (path.evaporation_mm - highest).max() <= 1e-12


def test_a_leak_would_be_noticed() -> None:
    """The closure error is a measurement: rain that the balance was not told of shows in it."""
    from gonogo.soil.balance import HOURLY, _closure_error_mm, _Kept, _run
    from gonogo.soil.layers import SoilState
    from gonogo.soil.sky import Sky

    soil = lifts.params()
    weather = lifts.weather(rain_mm=np.full((48, lifts.N_MEMBERS), 0.5))
    start = lifts.state(soil)
    rows = SoilState(top_mm=np.empty((48, *start.top_mm.shape)), base_mm=np.empty((48, *start.top_mm.shape)))
    for keeps_fluxes in (True, False):
        kept = _Kept.of(start, rows, 48, keeps_path=True, keeps_fluxes=keeps_fluxes)
        _run(soil, Sky(**weather), HOURLY, kept, None)
        assert _closure_error_mm(kept, Sky(**weather)) < 1e-9
        told_less = weather | {"rain_mm": weather["rain_mm"].copy()}
        told_less["rain_mm"][7, 2] += 1e-6
        assert 0.9e-6 < _closure_error_mm(kept, Sky(**told_less)) < 1.1e-6
