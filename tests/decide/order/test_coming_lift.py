"""A lift that is spread this morning is rolled before rain reaches it, or is not spread."""

from __future__ import annotations

import numpy as np
import pytest
from hand_made import morning, strip, weather
from views_of_plan import scene

from gonogo.decide.order.coming_lift import new_lift_today, opening_of_new_lift, roll_by_h, spread_stop
from gonogo.decide.today import Prepared, prepare
from gonogo.records.day_plan import Task

LIFT_KG_M2 = 400.0
TWO_LIFTS = [strip(id="N1", name="N1 field", lifts=2)]


def rain_at(*hours: int) -> np.ndarray:
    """Return certain rain of 3 mm in some hours of the day (UTC, as the site's), (H,)."""
    return 3.0 * np.isin(weather().hour_utc, [np.datetime64(f"2026-06-17T{hour:02}") for hour in hours])


def rained_on(*hours: int) -> Prepared:
    return prepare(morning(14.0, strips=TWO_LIFTS, rolled=np.array([1.0]), rain_mm=rain_at(*hours)))


def latest_h(prepared: Prepared) -> float:
    """Return by when the lift must be rolled, in hours after the shift begins."""
    opening = opening_of_new_lift(prepared, 0, LIFT_KG_M2)
    assert opening is not None
    return roll_by_h(prepared, 0, opening) - prepared.today.from_h


def test_dry_weather_leaves_the_day_until_the_lift_leaves_its_window() -> None:
    prepared = rained_on()
    opening = opening_of_new_lift(prepared, 0, LIFT_KG_M2)
    assert opening is not None
    assert roll_by_h(prepared, 0, opening) == opening.until_h


@pytest.mark.parametrize("rain_hour", [11, 13, 15])
def test_a_new_lift_is_told_to_be_rolled_and_sealed_before_the_rain(rain_hour: int) -> None:
    prepared = rained_on(rain_hour)
    begins = rain_hour - (prepared.today.from_h % 24.0)
    spare_h = begins - latest_h(prepared) - prepared.seal_h
    assert 0.0 <= spare_h < 0.25, "to the step of a quarter hour"
    assert spread_stop(prepared, 0, LIFT_KG_M2) == ""
    ends_h = [option.end_h - prepared.today.from_h for option in new_lift_today(prepared, 0, LIFT_KG_M2, 0.25)]
    assert ends_h
    assert max(ends_h) + prepared.seal_h <= begins + 1e-6, "no start after the rain either: the lift was tested before"


@pytest.mark.parametrize("hours", [(8,), (9,), (8, 9, 10, 11, 12, 13, 14, 15)])
def test_a_lift_that_would_be_rained_on_between_test_and_rolling_is_not_spread(hours: tuple[int, ...]) -> None:
    prepared = rained_on(*hours)
    assert latest_h(prepared) == -np.inf
    assert spread_stop(prepared, 0, LIFT_KG_M2) == "weather"
    assert list(new_lift_today(prepared, 0, LIFT_KG_M2, 0.25)) == []


def test_the_plan_says_roll_by_and_rolls_before_the_rain() -> None:
    plan = scene(morning(14.0, strips=TWO_LIFTS, rolled=np.array([1.0]), rain_mm=rain_at(13))).plan
    strip_plan = plan.strip("N1")
    assert strip_plan is not None
    assert strip_plan.new_lift is not None
    roll_by_utc = strip_plan.new_lift.roll_by_utc
    assert roll_by_utc is not None
    assert 11 <= roll_by_utc.hour < 13
    (rolling,) = [job for job in plan.jobs_of("N1") if job.task == Task.ROLL]
    assert rolling.end_utc <= roll_by_utc
