"""One lift through sun, rain, frost, truck and roller."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import lifts
import numpy as np
import pytest

from gonogo.errors import SoilError
from gonogo.soil import balance
from gonogo.soil.balance import MoisturePath, simulate, simulate_into
from gonogo.soil.block import Step
from gonogo.soil.layers import SoilParams, SoilState
from gonogo.soil.rain import SURFACE_INDEX, SURFACES
from gonogo.soil.sky import Sky

LOOSE, SCARIFIED, SEALED = SURFACE_INDEX["loose"], SURFACE_INDEX["scarified"], SURFACE_INDEX["sealed"]
STILL = {"drainage_frac_h": 0.0, "base_drainage_frac_h": 0.0, "resupply_frac_h": 0.0}


def run(soil: SoilParams, theta: float = 0.2, n_hours: int = 48, **weather: Any) -> MoisturePath:
    return lifts.run(lifts.state(soil, theta), soil, **lifts.weather(n_hours, **weather))


def test_ten_days_of_sun_follow_the_closed_form_of_both_stages() -> None:
    """The days of FAO-56, example 31: all of the demand up to REW, then x' = -demand * x / (TEW - REW)."""
    soil = lifts.params(tew_mm=20.0, rew_mm=9.0, **STILL)
    sun = np.full(240, 4.5 / 24.0)
    path = run(soil, theta=0.25, n_hours=240, et0_mm=sun, kc_max=np.full(240, 1.05))
    lost = path.top_mm[0] - path.top_mm
    asked = 1.05 * 4.5 / 24.0 * np.arange(241)[:, None, None] * np.ones((3, 4))
    exact = np.where(asked < 9.0, asked, 20.0 - 11.0 * np.exp(-np.maximum(asked - 9.0, 0.0) / 11.0))
    assert lost == pytest.approx(exact, abs=0.001)
    assert path.base_mm[-1] == pytest.approx(path.base_mm[0])


def test_nothing_moves_in_a_frozen_hour_and_what_falls_runs_off() -> None:
    soil = lifts.params()
    weather = {"et0_mm": np.full(48, 0.5), "rain_mm": np.full((48, lifts.N_MEMBERS), 2.0)}
    path = run(soil, theta=0.35, frozen=np.ones(48, dtype=np.bool_), **weather)
    assert np.all(path.top_mm == path.top_mm[0])
    assert np.all(path.base_mm == path.base_mm[0])
    assert path.runoff_mm == pytest.approx(96.0)
    assert np.any(run(soil, theta=0.35, **weather).top_mm != path.top_mm[0])


def test_a_sealed_surface_takes_in_less_rain_and_dries_more_slowly_than_a_loose_one() -> None:
    """Common practice, no source."""
    soil = lifts.params()
    shower = np.zeros((48, lifts.N_MEMBERS))
    shower[5] = 8.0
    surface = np.tile(np.array([LOOSE, SEALED, SCARIFIED]), (48, 1))
    wet = run(soil, rain_mm=shower, surface=surface)
    assert np.all(wet.infiltration_mm[1] < 0.3 * wet.infiltration_mm[0])
    dry = run(soil, et0_mm=np.full(48, 0.3), surface=surface)
    assert np.all(dry.evaporation_mm[1] < dry.evaporation_mm[0])
    assert np.all(dry.evaporation_mm[0] == dry.evaporation_mm[2])
    turned_up = run(soil, et0_mm=np.full(48, 0.3), surface=surface, moist=np.full((48, lifts.N_STRIPS), 0.5))
    assert np.all(dry.evaporation_mm[:2] == turned_up.evaporation_mm[:2])
    assert np.all(dry.evaporation_mm[2] < turned_up.evaporation_mm[2])


@pytest.mark.parametrize("name", list(SURFACES))
def test_an_hour_takes_in_and_gives_off_what_the_surface_says(name: str) -> None:
    state, soil = SURFACES[name], lifts.params(tew_mm=20.0, rew_mm=9.0, **STILL)
    surface = np.full((1, lifts.N_STRIPS), SURFACE_INDEX[name])
    wet = run(soil, n_hours=1, rain_mm=np.full((1, lifts.N_MEMBERS), 8.0), surface=surface)
    capacity = 12.0 * state.intake_factor
    assert wet.infiltration_mm == pytest.approx(capacity * (1.0 - np.exp(-8.0 / capacity)))
    dry = run(soil, theta=0.1, n_hours=1, et0_mm=np.ones(1), kc_max=np.full(1, 1.1), surface=surface)
    demand = 1.1 * state.evaporation_factor
    assert dry.evaporation_mm == pytest.approx(demand * 5.0 / (11.0 + 0.5 * demand))


def test_no_more_water_fits_than_there_are_pores() -> None:
    soil = lifts.params(intake_mm_h=500.0, **STILL)
    path = run(soil, theta=0.40, rain_mm=np.full((48, lifts.N_MEMBERS), 5.0))
    assert path.top_mm[-1] == pytest.approx(42.0)
    assert path.base_mm[-1] == pytest.approx(0.42 * 120.0)
    assert path.runoff_mm == pytest.approx(240.0 - 0.02 * 220.0)


def test_water_above_field_capacity_drains_and_water_below_stays() -> None:
    soil = lifts.params(resupply_frac_h=0.0)
    wet = run(soil, theta=0.40, n_hours=2000)
    assert wet.top_mm[-1] == pytest.approx(25.0, abs=1e-6)
    assert wet.base_mm[-1] == pytest.approx(30.0, abs=1e-6)
    assert wet.drainage_mm == pytest.approx(0.15 * 220.0, abs=1e-5)
    assert np.all(run(soil, theta=0.24).drainage_mm == 0.0)


def test_a_layer_drains_by_the_stated_share_of_its_excess_each_hour() -> None:
    soil = lifts.params(resupply_frac_h=0.0, drainage_frac_h=0.0, base_drainage_frac_h=0.1)
    excess = run(soil, theta=0.30, n_hours=10).base_mm - 30.0
    assert excess[1:] / excess[:-1] == pytest.approx(0.9)


def test_gravity_drainage_follows_its_closed_form_whatever_the_step() -> None:
    """x' = -b x^2 / room has the solution x = x0 / (1 + b t x0 / room)."""
    soil = lifts.one_layer(lifts.params(**STILL, drainage_rise_h=0.05))
    excess = run(soil, theta=0.35, n_hours=240).top_mm - 25.0
    hours = np.arange(241)[:, None, None] * np.ones((3, 4))
    assert excess == pytest.approx(10.0 / (1.0 + 0.05 * hours * 10.0 / 17.0))
    days = lifts.run(lifts.state(soil, 0.35), soil, **lifts.weather(10), step=Step(length_h=24.0))
    assert days.top_mm - 25.0 == pytest.approx(excess[::24])


def test_both_ways_of_draining_together_follow_their_closed_form() -> None:
    """x' = -a x - c x^2 has 1/x = (1/x0 + c/a) exp(a t) - c/a."""
    soil = lifts.one_layer(lifts.params(**(STILL | {"drainage_frac_h": 0.02}), drainage_rise_h=0.05))
    excess = run(soil, theta=0.35, n_hours=48).top_mm[-1] - 25.0
    a, c = -np.log1p(-0.02), 0.05 / 17.0
    assert 1.0 / excess == pytest.approx((0.1 + c / a) * np.exp(48 * a) - c / a)


def test_a_balance_of_one_layer_drains_out_of_the_lift_and_books_what_it_cannot_hold_as_runoff() -> None:
    soil = lifts.one_layer(lifts.params(**(STILL | {"drainage_frac_h": 0.05})))
    wet = run(soil, theta=0.40, n_hours=2000)
    assert wet.drainage_mm == pytest.approx(15.0, abs=1e-5)
    assert np.all(wet.base_mm == 0.0)
    shower = np.zeros((1, lifts.N_MEMBERS))
    shower[0] = 30.0
    full = run(lifts.one_layer(lifts.params(**STILL)), theta=0.40, n_hours=1, rain_mm=shower)
    assert full.top_mm[-1] == pytest.approx(42.0)
    assert full.runoff_mm == pytest.approx(28.0)


def test_a_day_in_two_halves_is_two_steps_of_half_the_day() -> None:
    rng = np.random.default_rng(3)
    soil = lifts.drawn_params(rng)
    start, weather = lifts.drawn_state(soil, rng), lifts.drawn_weather(rng)
    halves = {name: np.repeat(series, 2, axis=0) for name, series in weather.items()}
    halves["turned"][1::2] = False  # once, at the start of the day
    for depth in ("et0_mm", "rain_mm", "watering_mm"):
        halves[depth] = halves[depth] / 2.0
    within = lifts.run(start, soil, **weather, step=Step(length_h=24.0, n_parts=2))
    apart = lifts.run(start, soil, **halves, step=Step(length_h=12.0))
    assert within.top_mm == pytest.approx(apart.top_mm[::2])


def test_each_strip_may_have_its_own_weather_and_threads_change_no_digit(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(4)
    soil = lifts.drawn_params(rng)
    start, weather = lifts.drawn_state(soil, rng), lifts.drawn_weather(rng)
    rain, et0 = weather["rain_mm"], weather["et0_mm"]
    own = weather | {
        "rain_mm": np.stack([rain, 2.0 * rain, 0.0 * rain], axis=1),
        "et0_mm": np.tile(et0[:, None, None], (1, 3, lifts.N_MEMBERS)),
    }
    plain, each = lifts.run(start, soil, **weather), lifts.run(start, soil, **own, keep_fluxes=True)
    assert np.all(each.top_mm[:, 0] == plain.top_mm[:, 0])
    assert np.all(each.top_mm[-1, 1] >= plain.top_mm[-1, 1])
    assert each.closure_error_mm < 1e-9
    monkeypatch.setattr(balance, "BLOCK_CELLS", 1)
    alone, together = lifts.run(start, soil, **own, n_threads=1), lifts.run(start, soil, **own, n_threads=3)
    assert np.all(alone.top_mm == together.top_mm)
    assert np.all(alone.runoff_mm == together.runoff_mm)


def test_a_dry_crust_is_fed_from_below() -> None:
    soil = lifts.params(resupply_frac_h=0.1)
    start = SoilState(top_mm=np.full((3, 4), 8.0), base_mm=np.full((3, 4), 24.0))
    path = lifts.run(start, soil, **lifts.weather(500))
    assert path.top_mm[-1] == pytest.approx(32.0 * 100.0 / 220.0)
    assert np.all(np.diff(path.top_mm, axis=0) >= 0.0)


def test_truck_water_is_mixed_into_a_loose_lift_and_stays_on_top_of_a_sealed_one() -> None:
    soil = lifts.params(**STILL)
    truck = np.zeros((48, lifts.N_STRIPS))
    truck[3] = 4.4
    path = run(soil, watering_mm=truck, surface=np.tile(np.array([LOOSE, SEALED, SCARIFIED]), (48, 1)))
    gained_top, gained_base = path.top_mm[-1] - path.top_mm[0], path.base_mm[-1] - path.base_mm[0]
    assert gained_top[0] == pytest.approx(2.0)
    assert gained_base[0] == pytest.approx(2.4)
    assert np.all(gained_top[1] < 1.0)
    assert gained_base[1] == pytest.approx(0.0)
    assert path.runoff_mm[1] == pytest.approx(4.4 - gained_top[1])
    assert gained_base[2] == pytest.approx(2.4)


def test_disking_turns_the_lift_over_at_its_hour() -> None:
    soil = lifts.params(**STILL)
    start = SoilState(top_mm=np.full((3, 4), 8.0), base_mm=np.full((3, 4), 36.0))
    surface = np.full((48, lifts.N_STRIPS), SEALED)
    surface[10:, 1] = SCARIFIED
    surface[10:, 2] = LOOSE
    turned = np.zeros((48, lifts.N_STRIPS), dtype=np.bool_)
    turned[10, 1] = True
    path = lifts.run(start, soil, **lifts.weather(surface=surface, turned=turned))
    assert path.top_mm[10] == pytest.approx(8.0)
    assert path.top_mm[11, 1] == pytest.approx(20.0)
    assert path.base_mm[11, 1] == pytest.approx(24.0)
    assert path.top_mm[11, [0, 2]] == pytest.approx(8.0)


def test_a_lift_is_turned_over_in_the_first_step_too_and_by_work_alone() -> None:
    soil = lifts.params(**STILL)
    start = SoilState(top_mm=np.full((3, 4), 8.0), base_mm=np.full((3, 4), 36.0))
    weather = lifts.weather(surface=np.full((48, lifts.N_STRIPS), SCARIFIED))
    turned = np.zeros((48, lifts.N_STRIPS), dtype=np.bool_)
    turned[0] = True
    assert lifts.run(start, soil, **weather, turned=turned).top_mm[1] == pytest.approx(20.0)
    assert lifts.run(start, soil, **weather).top_mm[1] == pytest.approx(8.0)


def test_each_member_meets_its_own_rain_and_its_own_sun() -> None:
    soil = lifts.params()
    rain = np.zeros((48, lifts.N_MEMBERS))
    rain[4, 2] = 6.0
    sun = np.full((48, lifts.N_MEMBERS), 0.2)
    sun[:, 3] = 0.0
    path = run(soil, rain_mm=rain, et0_mm=sun)
    end = path.top_mm[-1] + path.base_mm[-1]
    assert np.all(end[:, 2] > end[:, 0])
    assert np.all(end[:, 0] == end[:, 1])
    assert np.all(path.evaporation_mm[:, 3] == 0.0)


@pytest.mark.parametrize("seed", range(4))
def test_halving_the_step_changes_a_day_by_little(seed: int) -> None:
    """Stated bound: 0.15 mm a day, under 0.05 points of water content in a lift of 200 mm."""
    rng = np.random.default_rng(seed)
    weather = lifts.drawn_weather(rng, 24)
    soil = lifts.params(evaporation_factor=rng.uniform(0.7, 1.4, (3, 4)), theta_fc=rng.uniform(0.2, 0.3, (3, 4)))
    start = lifts.drawn_state(soil, rng)
    weather["surface"][:], weather["turned"][:] = weather["surface"][0], False
    whole = lifts.run(start, soil, **weather)
    twice = {name: np.repeat(series, 2, axis=0) for name, series in weather.items()}
    for depth in ("et0_mm", "rain_mm", "watering_mm"):
        twice[depth] = twice[depth] / 2.0
    halves = lifts.run(start, soil, **twice, step=Step(length_h=0.5))
    apart = (whole.top_mm[-1] + whole.base_mm[-1]) - (halves.top_mm[-1] + halves.base_mm[-1])
    assert np.abs(apart).max() < 0.15


@pytest.mark.parametrize("seed", range(6))
def test_halving_the_parts_of_a_day_changes_it_by_little(seed: int) -> None:
    """Stated bound for days in two parts: 0.8 mm, and a fifth of the rain more on a wet day."""
    rng, shape = np.random.default_rng(seed), (3, 4)
    soil = lifts.one_layer(
        lifts.params(
            drainage_frac_h=0.0,
            drainage_rise_h=rng.uniform(0.005, 0.05, shape),
            tew_mm=rng.uniform(12.0, 24.0, shape),
            rew_mm=rng.uniform(2.0, 11.0, shape),
            evaporation_factor=rng.uniform(0.5, 1.3, shape),
        )
    )
    rain = (rng.random((1, 4)) < 0.5) * rng.gamma(0.8, 10.0, (1, 4))
    weather = lifts.weather(1, et0_mm=rng.uniform(0.0, 8.0, 1), rain_mm=rain, kc_max=np.ones(1))
    start = lifts.drawn_state(soil, rng)
    two, four = (lifts.run(start, soil, **weather, step=Step(length_h=24.0, n_parts=n)).top_mm[1] for n in (2, 4))
    assert np.all(np.abs(two - four) < 0.8 + 0.2 * rain[0])


def test_strips_do_not_know_of_each_other(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(5)
    soil = lifts.drawn_params(rng)
    start, weather = lifts.drawn_state(soil, rng), lifts.drawn_weather(rng)
    together = lifts.run(start, soil, **weather)
    monkeypatch.setattr(balance, "BLOCK_CELLS", 1)
    apart = lifts.run(start, soil, **weather)
    # A block stops draining when all of its strips have; what that leaves behind is below 1e-9 mm.
    assert apart.top_mm == pytest.approx(together.top_mm, abs=1e-7)
    assert apart.runoff_mm == pytest.approx(together.runoff_mm, abs=1e-7)


@pytest.mark.parametrize("n_parts", [1, 2])
def test_how_many_steps_are_looked_up_at_once_changes_no_digit(n_parts: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(7)
    soil = lifts.drawn_params(rng)
    start, weather = lifts.drawn_state(soil, rng), lifts.drawn_weather(rng)
    weather |= {"frozen": rng.random(48) < 0.2, "surface": np.repeat(rng.integers(0, 3, (8, 3)), 6, axis=0)}
    many = lifts.run(start, soil, **weather, step=Step(n_parts=n_parts))
    monkeypatch.setattr(balance, "EXPECTED_CELLS", 1)
    each = lifts.run(start, soil, **weather, step=Step(n_parts=n_parts))
    for name in ("top_mm", "base_mm", "infiltration_mm", "runoff_mm", "evaporation_mm", "drainage_mm"):
        assert np.all(getattr(many, name) == getattr(each, name)), name


def test_what_is_kept_does_not_change_what_comes_out() -> None:
    rng = np.random.default_rng(6)
    soil = lifts.drawn_params(rng)
    start, weather = lifts.drawn_state(soil, rng), lifts.drawn_weather(rng)
    full = lifts.run(start, soil, **weather, keep_fluxes=True)
    brief = lifts.run(start, soil, **weather, keep_path=False)
    assert brief.top_mm.shape == (2, 3, 4)
    assert np.all(brief.top_mm[-1] == full.top_mm[-1])
    assert full.evaporation_mm.shape == (48, 3, 4)
    assert full.evaporation_mm.sum(axis=0) == pytest.approx(brief.evaporation_mm)
    assert full.drainage_mm.sum(axis=0) == pytest.approx(brief.drainage_mm)


def test_the_start_is_left_as_it_was() -> None:
    soil = lifts.params()
    start = lifts.state(soil, 0.3)
    lifts.run(start, soil, **lifts.weather(et0_mm=np.full(48, 0.3)))
    assert np.all(start.top_mm == 30.0)


BAD_SOIL: list[dict[str, Any]] = [
    {"theta_fc": 0.42}, {"rew_mm": 19.0}, {"rew_mm": 0.0}, {"evaporation_factor": 0.0}, {"drainage_frac_h": 1.1},
    {"base_drainage_frac_h": -0.1}, {"resupply_frac_h": float("nan")}, {"intake_mm_h": 0.0}, {"top_thickness_mm": 0.0},
    {"drainage_rise_h": -0.1}, {"base_drainage_rise_h": float("inf")},
    {"base_thickness_mm": np.array([[0.0], [120.0], [120.0]])}, {"tew_mm": float("nan")},
]  # fmt: skip


@pytest.mark.parametrize("changed", BAD_SOIL, ids=str)
def test_soil_outside_physics_is_refused(changed: dict[str, Any]) -> None:
    right = lifts.params()
    assert run(right).closure_error_mm < 1e-9
    wrong = replace(right, **{name: np.asarray(value) for name, value in changed.items()})
    with pytest.raises(SoilError, match="moisture balance"):
        run(wrong)


@pytest.mark.parametrize("value", [float("nan"), -0.1])
@pytest.mark.parametrize("series", ["rain_mm", "watering_mm"])
def test_gaps_and_negative_depths_are_refused(series: str, value: float) -> None:
    weather = lifts.weather()
    weather[series][7, 1] = value
    with pytest.raises(SoilError, match=series):
        lifts.run(lifts.state(lifts.params()), lifts.params(), **weather)


@pytest.mark.parametrize("series", ["et0_mm", "kc_max"])
def test_a_gap_in_the_demand_is_refused(series: str) -> None:
    weather = lifts.weather()
    weather[series][7] = float("nan")
    with pytest.raises(SoilError, match="gap"):
        lifts.run(lifts.state(lifts.params()), lifts.params(), **weather)


def test_series_of_the_wrong_shape_are_refused() -> None:
    with pytest.raises(SoilError, match=r"\(H, S\)"):
        run(lifts.params(), watering_mm=np.zeros((48, 5)))
    with pytest.raises(SoilError, match=r"\(H, M\)"):
        run(lifts.params(), rain_mm=np.zeros((47, lifts.N_MEMBERS)))
    with pytest.raises(SoilError, match="surface"):
        run(lifts.params(), surface=np.full((48, lifts.N_STRIPS), 3))


@pytest.mark.parametrize("rain_mm", [1.0, 8.0, 40.0])
def test_an_hour_of_rain_on_a_loose_lift_soaks_in_as_its_own_intake_says(rain_mm: float) -> None:
    """Capacity varies exponentially from spot to spot around 12 mm/h: 12 (1 - exp(-rain / 12)) soaks in."""
    shower = np.full((1, lifts.N_MEMBERS), rain_mm)
    soil = lifts.params(**STILL)
    surface = np.tile(np.array([LOOSE, SEALED, SCARIFIED]), (1, 1))
    path = run(soil, theta=0.1, n_hours=1, rain_mm=shower, surface=surface)
    loose, sealed = 12.0 * (1.0 - np.exp(-rain_mm / 12.0)), 0.84 * (1.0 - np.exp(-rain_mm / 0.84))
    assert path.infiltration_mm[:, 0] == pytest.approx([loose, sealed, loose])
    assert path.runoff_mm[:, 0] == pytest.approx([rain_mm - loose, rain_mm - sealed, rain_mm - loose])


def test_a_day_takes_in_what_its_hours_could() -> None:
    soil = lifts.params(**STILL)
    day = lifts.run(
        lifts.state(soil, 0.05),
        soil,
        **lifts.weather(1, rain_mm=np.full((1, lifts.N_MEMBERS), 20.0)),
        step=Step(length_h=24.0),
    )
    assert day.infiltration_mm == pytest.approx(288.0 * (1.0 - np.exp(-20.0 / 288.0)))


def test_a_path_written_into_place_is_the_one_that_is_returned() -> None:
    """The published checks go through the one, the members through the other: both are the same steps."""
    rng = np.random.default_rng(7)
    soil = lifts.drawn_params(rng)
    start, sky = lifts.drawn_state(soil, rng), Sky(**lifts.drawn_weather(rng))
    path = simulate(start, soil, sky)
    rows = SoilState(top_mm=np.empty_like(path.top_mm[1:]), base_mm=np.empty_like(path.base_mm[1:]))
    assert simulate_into(rows, start, soil, sky) == path.closure_error_mm
    np.testing.assert_array_equal(rows.top_mm, path.top_mm[1:])
    np.testing.assert_array_equal(rows.base_mm, path.base_mm[1:])
