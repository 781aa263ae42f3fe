"""What was learned of the soil is kept as it was, once for each reading, and comes back by moment."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import sqlalchemy as sa
from messages import MORNING

from gonogo.moisture.learned import LearnedSoil
from gonogo.store import learned, schema

ONE = LearnedSoil(
    strip_id="N1",
    material_id="sand",
    lift_from_utc=None,
    through_utc=MORNING,
    n_readings=2,
    score_mean={"theta_fc": -0.125},
    score_sd={"theta_fc": 0.1 + 0.2},
)
HOUR = timedelta(hours=1)


def kept(store: sa.Engine, *records: LearnedSoil, hours: int = 0) -> int:
    with schema.begin(store) as connection:
        return learned.save(connection, "a", records, made_utc=MORNING + hours * HOUR, run_id=None)


def stored(store: sa.Engine, *, hours: int = 100, site_id: str = "a") -> tuple[LearnedSoil, ...]:
    with schema.read(store) as connection:
        return learned.rows(connection, site_id, until_utc=MORNING + hours * HOUR)


def test_a_lesson_comes_back_to_the_digit_and_for_its_site_alone(new_store: sa.Engine) -> None:
    assert kept(new_store, ONE) == 1
    assert stored(new_store) == (ONE,)
    assert stored(new_store, site_id="b") == ()


def test_a_lesson_through_the_same_reading_is_kept_once(new_store: sa.Engine) -> None:
    other_strip = replace(ONE, strip_id="N2")
    assert kept(new_store, ONE) == 1
    assert kept(new_store, replace(ONE, n_readings=9), other_strip, hours=1) == 1
    newer, new_lift = replace(ONE, through_utc=MORNING + HOUR), replace(ONE, lift_from_utc=MORNING)
    assert kept(new_store, newer, new_lift, hours=2) == 2
    assert stored(new_store) == (ONE, other_strip, newer, new_lift)


def test_a_morning_of_the_past_sees_what_was_known_then(new_store: sa.Engine) -> None:
    kept(new_store, ONE)
    kept(new_store, replace(ONE, through_utc=MORNING + 5 * HOUR), hours=5)
    assert stored(new_store, hours=4) == (ONE,)
    assert stored(new_store, hours=-1) == ()


def test_a_reset_is_a_row_of_its_own_and_lessons_through_older_readings_are_kept_again(new_store: sa.Engine) -> None:
    wiped = replace(ONE, is_reset=True, through_utc=MORNING + HOUR)
    assert kept(new_store, ONE) == 1
    assert kept(new_store, wiped, hours=1) == 1
    assert kept(new_store, ONE, hours=2) == 1
    assert stored(new_store) == (ONE, wiped, ONE)
