"""Which results of a test release a lift."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hand_made import material
from scipy.stats import norm

from gonogo.decide.plan.test_limits import arrival_sd_pct, chances_inside, limits, limits_pct, middle_half_pct
from gonogo.soil.readings import GAUGE_ERROR_PCT


def test_a_result_releases_a_lift_that_is_inside_as_likely_as_is_asked() -> None:
    low, high = limits_pct(material(), 0.7)
    margin = norm.ppf(0.7) * GAUGE_ERROR_PCT
    assert (low, high) == (pytest.approx(12.0 + margin, abs=0.06), pytest.approx(16.0 - margin, abs=0.06))
    assert norm.cdf((16.0 - high) / GAUGE_ERROR_PCT) - norm.cdf((12.0 - high) / GAUGE_ERROR_PCT) >= 0.7


def test_more_is_asked_of_a_result_against_which_the_forecast_speaks_and_never_less_for_it() -> None:
    alone = limits_pct(material(), 0.7)
    for mean, sd in itertools.product((10.0, 13.0, 14.0, 15.0, 18.0), (0.2, 1.0, 3.0)):
        low, high = limits_pct(material(), 0.7, (mean, sd))
        assert low >= alone[0]
        assert high <= alone[1]
    assert limits_pct(material(), 0.7, (18.0, 0.5))[1] < alone[1]
    assert limits_pct(material(), 0.7, (10.0, 0.5))[0] > alone[0]


def test_a_lift_that_dries_until_it_is_rolled_needs_more_at_the_dry_edge() -> None:
    assert limits_pct(material(), 0.7, None, -0.3)[0] > limits_pct(material(), 0.7)[0]
    assert limits_pct(material(), 0.7, None, -0.3)[1] == limits_pct(material(), 0.7)[1]


def test_the_mean_of_two_tests_releases_nearer_to_the_edges_by_its_smaller_error() -> None:
    margin = norm.ppf(0.7) * GAUGE_ERROR_PCT / math.sqrt(2.0)
    low, high = limits_pct(material(), 0.7, n_tests=2)
    assert (low, high) == (pytest.approx(12.0 + margin, abs=0.06), pytest.approx(16.0 - margin, abs=0.06))
    for before in ((11.0, 1.0), (14.0, 1.0), (17.0, 1.0)):
        alone, both = limits_pct(material(), 0.7, before), limits_pct(material(), 0.7, before, n_tests=2)
        assert 12.0 < both[0] <= alone[0] < alone[1] <= both[1] < 16.0
    (chance,) = chances_inside(np.array([12.4]), 12.0, 16.0, None, 2)
    assert chance == pytest.approx(norm.cdf(0.4 / GAUGE_ERROR_PCT * math.sqrt(2.0)), abs=1e-3)


def test_the_limits_of_a_mean_are_those_of_two_tests_in_whole_tenths() -> None:
    found = limits(material(), 0.7)
    low, high = limits_pct(material(), 0.7, n_tests=2)
    assert found.mean_low_pct == pytest.approx(math.ceil(10.0 * low - 1e-6) / 10.0)
    assert found.mean_high_pct == pytest.approx(math.floor(10.0 * high + 1e-6) / 10.0)
    assert found.low_pct > found.mean_low_pct > 12.0
    assert found.high_pct < found.mean_high_pct < 16.0


def test_a_narrow_window_keeps_its_middle() -> None:
    narrow = material(window_low_pct=-0.5, window_high_pct=0.5)
    assert limits_pct(narrow, 0.99) == (13.75, 14.25)
    assert limits_pct(narrow, math.nan) == (13.75, 14.25)


def test_chances_follow_bayes_rule() -> None:
    rng = np.random.default_rng(1)
    truth = rng.normal(15.0, 1.5, 400_000)
    results = truth + rng.normal(0.0, GAUGE_ERROR_PCT, len(truth))
    near = np.abs(results - 15.5) < 0.05
    (chance,) = chances_inside(np.array([15.5]), 12.0, 16.0, (15.0, 1.5))
    assert chance == pytest.approx(np.mean((truth[near] >= 12.0) & (truth[near] <= 16.0)), abs=0.01)


def test_lifts_arrive_as_widely_spread_as_the_site_says_they_arrive_right() -> None:
    sd = arrival_sd_pct(13.5, 12.0, 16.0, 0.85)
    assert norm.cdf((16.0 - 13.5) / sd) - norm.cdf((12.0 - 13.5) / sd) == pytest.approx(0.85, abs=1e-6)
    assert arrival_sd_pct(11.0, 12.0, 16.0, 0.85) == 2.0
    assert arrival_sd_pct(13.5, 12.0, 16.0, 1.0) == 2.0


def test_a_dry_result_that_may_well_be_right_is_tested_once_more_before_water_goes_on_it() -> None:
    found = limits(material(), 0.7, worth_chance=0.25)
    edge = 12.0 + norm.ppf(0.25) * GAUGE_ERROR_PCT  # of 12 to 16 %: below it one in four such lifts is inside
    assert found.again_low_pct == pytest.approx(edge, abs=0.1)
    assert found.again_low_pct >= edge
    assert found.again_high_pct == 16.0
    assert limits(material(), 0.7).again_low_pct == 12.0  # where no water would follow
    doubted = limits(material(), 0.7, (10.0, 1.0), worth_chance=0.25)
    assert found.again_low_pct < doubted.again_low_pct <= doubted.damp_low_pct == 12.0


def test_limits_are_the_tenths_that_are_printed_and_never_wider() -> None:
    found = limits(material(omc_pct=14.03), 0.7, worth_chance=0.25)
    sides = ((found.low_pct, found.mean_low_pct, found.again_low_pct), (found.high_pct, found.mean_high_pct))
    shown = (*sides[0], *sides[1], found.damp_low_pct)
    assert shown == tuple(round(value, 1) for value in shown)
    assert limits_pct(material(omc_pct=14.03), 0.7)[0] <= found.low_pct
    assert found.high_pct <= limits_pct(material(omc_pct=14.03), 0.7)[1]
    assert found.damp_low_pct == 12.1
    assert found.again_high_pct == 16.03  # the window's own edge, shown as the window is
    narrow = limits(material(window_low_pct=-0.02, window_high_pct=0.02), 0.7)
    assert narrow.low_pct <= 14.0 <= narrow.high_pct


def test_a_result_inside_that_does_not_release_is_damped_by_what_it_lacks() -> None:
    found = limits(material(), 0.7)
    assert found.damp_low_pct < found.mean_low_pct < found.low_pct < found.high_pct < found.mean_high_pct < 16.0
    dries = limits(material(), 0.7, None, -0.5)
    assert dries.low_pct - dries.damp_low_pct > found.low_pct - found.damp_low_pct


@pytest.mark.parametrize(("window", "low", "high"), [((-2.0, 2.0), 13.0, 15.0), ((-1.0, 3.0), 14.0, 16.0)])
def test_a_lift_that_failed_before_is_released_by_one_result_in_the_middle_half(
    window: tuple[float, float], low: float, high: float
) -> None:
    silt = material(window_low_pct=window[0], window_high_pct=window[1])
    found = limits(silt, 0.7, (14.0, 0.5), worth_chance=0.25, is_again=True)
    assert (found.low_pct, found.high_pct, found.damp_low_pct) == (low, high, low)
    assert np.isnan([found.mean_low_pct, found.mean_high_pct, found.again_low_pct, found.again_high_pct]).all()


@pytest.mark.parametrize("window", [(-2.0, 2.0), (-3.0, 3.0)])
def test_the_middle_half_is_what_bayes_rule_leaves_of_a_lift_that_failed(window: tuple[float, float]) -> None:
    """One in twenty of the lifts inside fails, every other of those outside: odds of a tenth."""
    silt = material(window_low_pct=window[0], window_high_pct=window[1])
    low, _ = middle_half_pct(silt)
    results = np.arange(14.0 + window[0], 14.0, 0.05)
    inside = chances_inside(results, 14.0 + window[0], 14.0 + window[1], None)
    after = 0.1 * inside / (0.1 * inside + 1.0 - inside)
    assert results[after >= 0.7][0] == pytest.approx(low, abs=0.55)
