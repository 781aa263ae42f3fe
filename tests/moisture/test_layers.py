"""Top and base of a lift: what time, weather and work make of them, and what a test leaves in place."""

from __future__ import annotations

from dataclasses import replace

import hand_made
import numpy as np
import pytest
from hand_made import NOW_UTC, SETTINGS, at, row

from gonogo.moisture.simulate import Simulated, simulate
from gonogo.records.field import Entry, Reading, SurfaceWork

STRIP = hand_made.strip(lift_thickness_m=0.25)
TOP_SHARE = 100.0 / 250.0
SUN = {"temp_degc": 24.0, "rh_pct": 40.0, "wind_2m_m_s": 3.0, "shortwave_w_m2": 320.0}
SPREAD = SurfaceWork(strip_id=STRIP.id, at_utc=at(-31), work="spread")
FIRST = Reading(strip_id=STRIP.id, at_utc=at(-30), w_pct=16.0, method="oven")
LATER_H = -2.0  # of the second test, after 28 hours of sun


def simulated(*entries: Entry, rain_mm: object = 0.0, **sky: object) -> Simulated:
    return simulate(
        hand_made.site([STRIP]),
        now_utc=NOW_UTC,
        weather=hand_made.weather(rain_mm, **(SUN | sky)),
        entries=entries,
        settings=SETTINGS,
        rng=np.random.default_rng(1),
    )


def apart_pct(done: Simulated, hour: float = LATER_H) -> np.ndarray:
    """How much wetter the top is than the base (M,)."""
    moisture = done.moisture
    return np.asarray((moisture.w_top_pct - moisture.w_base_pct)[row(hour), 0])


def means(done: Simulated, hour: float = LATER_H) -> np.ndarray:
    """Mean of lift, top and base."""
    moisture = done.moisture
    return np.array([w[row(hour), 0].mean() for w in (moisture.w_pct, moisture.w_top_pct, moisture.w_base_pct)])


def later(done: Simulated, more_pct: float, depth_mm: float | None = None) -> Reading:
    """A test that finds so much more than was expected, of the lift or of its upper part."""
    lift, top, _ = means(done)
    expected = lift if depth_mm is None else top
    return Reading(
        strip_id=STRIP.id, at_utc=at(LATER_H), w_pct=expected + more_pct, method="nuclear gauge", depth_mm=depth_mm
    )


def test_sun_dries_the_top_first_and_a_shower_wets_it_first_and_what_lies_apart_evens_out() -> None:
    shower = np.zeros(hand_made.N_HOURS)
    shower[row(-6)] = 4.0
    dried, wetted = simulated(SPREAD, FIRST), simulated(SPREAD, FIRST, rain_mm=shower)
    assert apart_pct(dried, -31.0).mean() == pytest.approx(0.0, abs=1e-9)
    assert apart_pct(dried, -12.0).mean() < -0.5
    gained = means(wetted, -5.0) - means(dried, -5.0)
    assert gained[1] > gained[2] >= 0.0
    still = np.zeros(hand_made.N_HOURS)
    still[: row(-12)] = 320.0
    rested = simulated(SPREAD, FIRST, shortwave_w_m2=still, rh_pct=np.where(still > 0.0, 40.0, 100.0), wind_2m_m_s=0.5)
    assert abs(apart_pct(rested, 48.0).mean()) < 0.5 * abs(apart_pct(rested, -12.0).mean())


def test_the_lift_is_what_its_layers_are_by_their_thickness() -> None:
    moisture = simulated(SPREAD, FIRST).moisture
    of_layers = TOP_SHARE * moisture.w_top_pct + (1.0 - TOP_SHARE) * moisture.w_base_pct
    # A member that errs to almost no water is left out: its drier layer is empty, and cannot be drier than that.
    is_moist = moisture.w_pct[row(-30) :] > 0.5
    assert is_moist.mean() > 0.99
    np.testing.assert_allclose(of_layers[row(-30) :][is_moist], moisture.w_pct[row(-30) :][is_moist], atol=0.02)


@pytest.mark.parametrize("more_pct", [-1.0, 1.0])
@pytest.mark.parametrize("depth_mm", [None, 100.0])
def test_a_test_of_a_spread_lift_moves_both_layers_and_leaves_them_as_far_apart(
    more_pct: float, depth_mm: float | None
) -> None:
    plain = simulated(SPREAD, FIRST)
    tested = simulated(SPREAD, FIRST, later(plain, more_pct, depth_mm))
    moved = means(tested) - means(plain)
    assert np.sign(moved).tolist() == [np.sign(more_pct)] * 3
    assert np.abs(moved).min() > 0.2
    assert apart_pct(tested).mean() == pytest.approx(apart_pct(plain).mean(), abs=0.1)
    assert apart_pct(plain).mean() < -0.5, "a crust"


def test_of_a_lift_that_nobody_recorded_a_test_leaves_anything_from_all_of_the_difference_to_none() -> None:
    plain = simulated(FIRST)
    before = apart_pct(plain)
    for more_pct in (-1.5, 0.0, 1.5):
        after = apart_pct(simulated(FIRST, later(plain, more_pct)))
        share = after / before
        assert share.mean() == pytest.approx(0.5, abs=0.1)
        assert share.min() > -0.1
        assert share.max() < 1.1


def test_what_a_disking_turned_over_lies_apart_by_the_hours_since() -> None:
    disked = SurfaceWork(strip_id=STRIP.id, at_utc=at(-14), work="disked")
    plain = simulated(FIRST, disked)
    assert apart_pct(plain, -13.0).mean() == pytest.approx(0.0, abs=0.4)
    tested = simulated(FIRST, disked, later(plain, -0.5))
    assert apart_pct(tested).mean() == pytest.approx(apart_pct(plain).mean(), abs=0.1)
    assert apart_pct(plain).mean() < -0.2


@pytest.mark.parametrize("w_pct", [1.5, 24.5])
def test_near_dry_and_near_full_neither_layer_leaves_what_can_be_and_the_lift_is_as_tested(w_pct: float) -> None:
    test = Reading(strip_id=STRIP.id, at_utc=at(LATER_H), w_pct=w_pct, method="oven")
    moisture = simulated(SPREAD, FIRST, test, replace(test, at_utc=at(-1.0))).moisture
    full_pct = 100.0 * (1000.0 / 1600.0 - 1.0 / 2.68)
    for layer in (moisture.w_top_pct, moisture.w_base_pct):
        assert np.all(layer[row(-1.0) :] >= 0.0)
        assert np.all(layer[row(-1.0) :] <= full_pct + 1e-6)
    assert moisture.w_pct[row(-1.0), 0].mean() == pytest.approx(w_pct, abs=0.6)


def test_what_fell_on_a_strip_before_a_lift_was_spread_on_it_says_nothing_of_the_lift() -> None:
    shower = np.zeros(hand_made.N_HOURS)
    shower[row(-20) : row(-17)] = 10.0
    spread = SurfaceWork(strip_id=STRIP.id, at_utc=at(-8), work="spread")
    dry, wet = simulated(spread), simulated(spread, rain_mm=shower)
    np.testing.assert_array_equal(wet.moisture.w_pct[row(-8) :], dry.moisture.w_pct[row(-8) :])
    assert means(dry, -8.0)[0] == pytest.approx(hand_made.material().omc_pct, abs=0.5)
    assert dry.moisture.w_pct[row(-8), 0].std() > 2.0
