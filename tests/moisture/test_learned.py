"""What one morning learned the next starts from: no reading twice, a share for the next lift, none after a reset."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sites import small_site

from gonogo.moisture.learned import (
    LearnedSoil,
    Lift,
    factors,
    in_force_of,
    learned_from_readings,
    prior,
    reset,
    season_put_down,
)
from gonogo.soil.knowledge import nothing_known
from gonogo.soil.strip import LEARNABLE

MONDAY = datetime(2026, 5, 11, 12, tzinfo=UTC)
SITE = small_site()
STRIP = SITE.strips[0]


def at(days: float) -> datetime:
    return MONDAY + timedelta(days=days)


def soil_record(through: float, mean: float = 1.0, *, strip: str = STRIP.id, lift: float | None = None, n: int = 3,
           material: str = STRIP.material_id) -> LearnedSoil:  # fmt: skip
    return LearnedSoil(
        strip_id=strip,
        material_id=material,
        lift_from_utc=None if lift is None else at(lift),
        through_utc=at(through),
        n_readings=n,
        score_mean=dict.fromkeys(LEARNABLE, mean),
        score_sd=dict.fromkeys(LEARNABLE, 0.5),
    )


def lift(*readings: float, spread: float | None = None) -> Lift:
    return Lift(strip=STRIP, from_utc=None if spread is None else at(spread), readings_utc=tuple(map(at, readings)))


def mean_of(lift: Lift, *stored: LearnedSoil, share: float = 0.5) -> float:
    found = prior([lift], stored, share_next_lift=share).knowledge[0].mean
    assert np.all(found == found[0])
    return float(found[0])


def test_nothing_stored_is_nothing_known() -> None:
    found = prior([lift(1.0)], (), share_next_lift=0.5)
    assert np.all(found.knowledge[0].mean == 0.0)
    assert np.all(found.knowledge[0].sd == 1.0)
    assert found.taken_from == (None,)


def test_a_reading_that_this_morning_learns_from_is_not_in_what_it_starts_from() -> None:
    stored = (soil_record(1.0, 0.2), soil_record(4.0, 0.6), soil_record(8.0, 0.9))
    # Readings of days 3, 5 and 8: that of day 3 is the start, so records through day 1 alone are older.
    assert mean_of(lift(3.0, 5.0, 8.0), *stored) == 0.2
    # The reading of day 4 only says where the members start: what was learned through it counts.
    assert mean_of(lift(4.0, 8.0), *stored) == 0.6
    assert mean_of(lift(), *stored) == 0.9


def test_the_next_lift_starts_from_a_share_and_is_less_sure() -> None:
    found = prior([lift(6.0, spread=5.0)], (soil_record(4.0, 0.8),), share_next_lift=0.5)
    assert found.knowledge[0].mean == pytest.approx(0.4)
    assert found.knowledge[0].sd == pytest.approx(np.sqrt(0.25 * 0.25 + 0.75))
    assert found.knowledge[0].n_readings == 0
    assert mean_of(lift(6.0, spread=5.0), soil_record(4.0, 0.8), share=0.0) == 0.0


def test_another_material_passes_nothing_on_and_another_strip_of_the_same_does() -> None:
    assert mean_of(lift(6.0), soil_record(4.0, 0.8, material="another")) == 0.0
    assert mean_of(lift(6.0), soil_record(4.0, 0.8, strip="another")) == pytest.approx(0.4)
    # The strip's own earlier lift counts before a newer one elsewhere.
    own, elsewhere = soil_record(3.0, 0.2), soil_record(4.0, 0.8, strip="another")
    assert mean_of(lift(6.0, spread=5.0), own, elsewhere) == pytest.approx(0.1)


def test_a_reset_forgets_what_was_before_it_and_keeps_what_comes_after() -> None:
    gone, after = soil_record(4.0, 0.8), soil_record(7.0, 0.3)
    wiped = reset(STRIP, at(5.0))
    assert mean_of(lift(6.0), gone, wiped) == 0.0
    assert mean_of(lift(8.0), gone, wiped, after) == 0.3
    assert in_force_of((gone, wiped, after)) == (after,)
    assert in_force_of((soil_record(1.0, strip="another"), wiped)) == (soil_record(1.0, strip="another"),)


def test_lessons_name_the_last_reading_and_count_those_that_taught() -> None:
    lifts = [lift(4.0, 8.0), lift(4.0), lift()]
    before = prior(lifts, (soil_record(3.0, n=5),), share_next_lift=0.5)
    known = [replace(k, mean=np.full(len(LEARNABLE), 0.7)) for k in before.knowledge]
    taught = replace(known[0], n_taught=known[0].n_taught + 1, highest=0.3, lowest=0.2, n_readings=4)
    (learned,) = learned_from_readings(lifts, before, [taught, *known[1:]], [(1.0, 2.0)] * 3)
    assert (learned.through_utc, learned.n_readings) == (at(8.0), 6)
    assert (learned.n_seen, learned.highest, learned.lowest, learned.season) == (4, 0.3, 0.2, (1.0, 2.0))
    assert set(learned.score_mean.values()) == {0.7}
    assert list(learned.score_mean) == list(LEARNABLE)
    new_lift = [lift(6.0, 8.0, spread=5.0)]
    fresh_before = prior(new_lift, (soil_record(3.0, n=5),), share_next_lift=0.5)
    known_then = replace(fresh_before.knowledge[0], n_taught=1)
    (fresh,) = learned_from_readings(new_lift, fresh_before, [known_then], [()])
    assert (fresh.n_readings, fresh.lift_from_utc) == (1, at(5.0))


def test_what_is_put_down_is_taken_up_again_with_its_correlations() -> None:
    n = len(LEARNABLE)
    known = nothing_known(n).read(0.2).read(0.25).taught(np.linspace(-0.02, 0.03, n), 0.01, 1e-4)
    one_lift = [lift(4.0, 8.0)]
    (learned,) = learned_from_readings(one_lift, prior(one_lift, (), share_next_lift=0.5), [known], [()])
    again = prior([lift(9.0)], (learned,), share_next_lift=0.5).knowledge[0]
    assert again.mean == pytest.approx(known.mean)
    assert again.covariance == pytest.approx(known.covariance, abs=1e-9)
    assert (again.n_readings, again.highest, again.lowest) == (2, 0.25, 0.2)
    # The reading through which it was learned is this morning's first: it will be counted again.
    assert prior([lift(8.0)], (learned,), share_next_lift=0.5).knowledge[0].n_readings == 1


def test_a_season_belongs_to_no_strip() -> None:
    put_down = season_put_down((1.0,) * 7, at(3.0))
    assert mean_of(lift(6.0), put_down) == 0.0
    assert prior([lift(6.0)], (put_down,), share_next_lift=0.5).taken_from == (None,)


@given(mean=st.floats(-3.0, 3.0))
def test_factors_are_in_order_and_one_where_nothing_was_learned(mean: float) -> None:
    for low, middle, high in factors(soil_record(1.0, mean)).values():
        assert 0.0 < low < middle < high
    assert all(middle == 1.0 for _, middle, _ in factors(soil_record(1.0, 0.0)).values())


def test_a_parameter_that_an_older_program_did_not_know_has_taught_nothing() -> None:
    old = LearnedSoil(
        strip_id=STRIP.id, material_id=STRIP.material_id, lift_from_utc=None, through_utc=at(1.0), n_readings=2,
        score_mean={"theta_fc": 0.5, "gone": 2.0}, score_sd={"theta_fc": 0.4, "gone": 0.1},
    )  # fmt: skip
    found = prior([lift(6.0)], (old,), share_next_lift=0.5).knowledge[0]
    assert found.mean[list(LEARNABLE).index("theta_fc")] == 0.5
    assert found.mean[list(LEARNABLE).index("intake_mm_h")] == 0.0
    assert found.sd[list(LEARNABLE).index("intake_mm_h")] == 1.0


def test_the_likely_range_of_a_factor_holds_eight_of_ten() -> None:
    """Its logarithm is normal: mean and spread of the score times the parameter's own spread before any reading."""
    tenth = NormalDist().inv_cdf(0.9)
    for name, (low, middle, high) in factors(soil_record(1.0, 0.7)).items():
        spread = LEARNABLE[name].spread
        assert middle == pytest.approx(np.exp(0.7 * spread))
        assert (low, high) == pytest.approx(tuple(np.exp(spread * (0.7 + k * 0.5 * tenth)) for k in (-1, 1)), rel=1e-4)
