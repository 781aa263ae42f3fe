"""Members of rain: equally likely, right on average, wetter and drier the further ahead."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gonogo.weather.members import draw, expected_rain_mm, likely_chance, rain_members_mm

NONE = np.full(240, np.nan)
LEAD = np.arange(240, dtype=np.float64)


def members(rain: np.ndarray, chance: np.ndarray, lead: np.ndarray = LEAD, **more: object) -> np.ndarray:
    """Return 50 members with a fixed seed."""
    return rain_members_mm(rain, chance, lead, n_members=50, rng=np.random.default_rng(3), **more)  # type: ignore[arg-type]


@settings(deadline=None)
@given(
    rain=st.lists(st.floats(0.0, 50.0), min_size=2, max_size=40),
    chance=st.one_of(st.just(float("nan")), st.floats(0.0, 1.0)),
    start_h=st.integers(-300, 300),
    n_members=st.integers(1, 60),
    widening=st.floats(1.0, 2.0),
)
def test_members_are_never_negative_and_their_mean_is_the_expected_rain(
    rain: list[float], chance: float, start_h: int, n_members: int, widening: float
) -> None:
    amount = np.array(rain)
    drawn = rain_members_mm(
        amount,
        np.full(len(amount), chance),
        start_h + np.arange(len(amount), dtype=np.float64),
        n_members=n_members,
        rng=np.random.default_rng(0),
        widening=widening,
    )
    assert drawn.shape == (len(amount), n_members)
    assert (drawn >= 0.0).all()
    np.testing.assert_allclose(drawn.mean(axis=1), amount, rtol=1e-9, atol=1e-12)


def test_the_share_of_wet_members_is_the_services_chance() -> None:
    for chance in (0.1, 0.3, 0.5, 0.9):
        drawn = members(np.full(240, 0.01), np.full(240, chance))
        assert ((drawn > 0).mean(axis=1) == pytest.approx(chance)) is True


def test_a_dry_hour_without_chance_is_dry_in_every_member() -> None:
    assert (members(np.zeros(240), np.zeros(240)) == 0.0).all()


def test_the_spread_of_a_days_rain_grows_with_lead() -> None:
    drawn = members(np.full(240, 1.0), NONE)
    spread = [drawn[24 * day : 24 * day + 24].sum(axis=0).std() for day in range(10)]
    assert np.mean(spread[7:]) > 1.2 * np.mean(spread[:3])


def test_an_old_forecast_spreads_wider() -> None:
    rain = np.full(240, 1.0)
    fresh, old = members(rain, NONE).sum(axis=0).std(), members(rain, NONE, widening=1.5).sum(axis=0).std()
    assert old > 1.1 * fresh


def test_a_gauged_past_is_nearly_certain_and_a_past_from_a_model_is_not() -> None:
    rain, past = np.full(240, 1.0), LEAD - 240
    gauged = members(rain, NONE, past, gauged_share=np.ones(240))
    modelled = members(rain, NONE, past)
    assert (gauged > 0).all()
    assert gauged.std(axis=1).max() < 0.06
    assert modelled.std(axis=1).min() > 0.3


def test_a_member_stays_wet_through_a_shower() -> None:
    wet = members(np.full(240, 0.5), np.full(240, 0.5)) > 0
    stays = (wet[1:] & wet[:-1]).sum() / wet[:-1].sum()
    assert stays > 0.7  # 0.5 would be members that forget from hour to hour


def test_the_same_seed_gives_the_same_members() -> None:
    rain = np.linspace(0.0, 3.0, 240)
    assert (members(rain, NONE) == members(rain, NONE)).all()


def test_a_chance_without_an_amount_is_rain_of_its_least_amount() -> None:
    # A chance of 0.8 of at least 0.1 mm is 0.08 mm on average, or more.
    expected = expected_rain_mm(np.array([0.0, 0.0, 2.0, 0.0]), np.array([0.8, 0.0, 0.8, np.nan]))
    assert expected.tolist() == pytest.approx([0.08, 0.0, 2.0, 0.0])


def test_an_amount_without_a_chance_still_has_one() -> None:
    chance = likely_chance(np.array([0.0, 0.0, 3.0, 0.0, 0.0]), np.full(5, np.nan), np.zeros(5))
    assert chance[2] == pytest.approx(0.8)
    assert chance[1] == chance[3] == pytest.approx(0.32)
    assert chance[0] == chance[4] == 0.0


def test_no_member_at_all_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one member"):
        rain_members_mm(np.zeros(3), np.zeros(3), np.zeros(3), n_members=0, rng=np.random.default_rng(0))


def test_the_amount_of_certain_rain_is_known_to_half_of_it_today_and_less_well_each_day() -> None:
    """Our own choice: a coefficient of variation of 0.5 now and 0.07 more for each day ahead."""
    drawn = members(np.full(240, 2.0), np.ones(240))
    variation = drawn.std(axis=1) / drawn.mean(axis=1)
    assert variation[:3] == pytest.approx(0.5, abs=0.08)
    assert variation[-3:].mean() - variation[:3].mean() == pytest.approx(0.07 * 9.9, abs=0.1)


def test_a_day_s_rain_is_less_sure_than_hours_that_know_nothing_of_each_other_would_make_it() -> None:
    """A front comes early or late for a member as a whole: its days are wet or dry together."""
    drawn = members(np.full(240, 0.5), np.full(240, 0.5))
    by_day = drawn.reshape(10, 24, -1).sum(axis=1).std(axis=1)
    alone = drawn.std(axis=1).mean() * np.sqrt(24.0)
    assert by_day.mean() > 2.0 * alone


@pytest.mark.parametrize(("rain_mm", "least"), [(0.0, 0.0), (0.1, 0.35), (1.0, 0.6), (3.0, 0.8), (30.0, 0.9)])
def test_rain_that_is_forecast_falls_in_as_many_members_as_its_amount_says(rain_mm: float, least: float) -> None:
    """Our own choice: an amount and a chance may come from different runs, so neither is taken below the other."""
    assert likely_chance(np.array([rain_mm]), np.zeros(1), np.zeros(1)) == pytest.approx(least)
    assert likely_chance(np.array([rain_mm]), np.ones(1), np.zeros(1)) == pytest.approx(1.0)


def test_an_old_forecast_draws_every_chance_towards_one_half() -> None:
    chance = likely_chance(np.zeros(3), np.array([0.0, 0.5, 1.0]), np.zeros(3), widening=1.5)
    assert chance.tolist() == pytest.approx([0.05, 0.5, 0.95])


def test_a_chance_for_a_period_is_rain_of_its_least_amount_once_in_the_period() -> None:
    assert expected_rain_mm(np.zeros(1), np.array([0.6]), 6.0) == pytest.approx(0.01)


def test_wet_members_are_as_far_apart_as_the_middles_of_equal_shares() -> None:
    # Certain rain at lead 0: variation 0.5, so the shape is 0.5^-1.086, and member k of 50 stands at (k + 0.5) / 50.
    drawn = np.sort(members(np.full(1, 8.0), np.ones(1), np.zeros(1))[0])
    quantile = (-np.log1p(-(np.arange(50) + 0.5) / 50.0)) ** (0.5**1.086)
    np.testing.assert_allclose(drawn, 8.0 * quantile / quantile.mean(), rtol=1e-12)


def test_ranks_remember_a_shower_and_half_of_a_front_after_hours_and_a_day() -> None:
    """Two memories of 5 and 48 h in equal parts: correlation exp(-h/5)/2 + exp(-h/48)/2, of ranks a little less."""
    n_hours = 200
    drawn = draw(
        np.ones(n_hours), np.ones(n_hours), np.zeros(n_hours), n_members=2000, rng=np.random.default_rng(5)
    ).ranks
    for lag_h in (1, 5, 24, 72):
        normal = 0.5 * (np.exp(-lag_h / 5.0) + np.exp(-lag_h / 48.0))
        found = np.mean([np.corrcoef(drawn[h], drawn[h + lag_h])[0, 1] for h in range(n_hours - lag_h)])
        assert found == pytest.approx(6.0 / np.pi * np.arcsin(normal / 2.0), abs=0.025), lag_h
