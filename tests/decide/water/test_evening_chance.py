"""The chance of a day whose water has to go on the evening before, since it soaks in longer than the day lasts."""

from __future__ import annotations

import math
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from hand_made import DAY, N_HOURS, at, material, morning, row

from gonogo.decide.today import prepare
from gonogo.decide.water.forecast import day_chances
from gonogo.decide.windows import working

SLOW = {"materials": (material(soak_in_h=11.0),)}


def chance_of_tomorrow(**changes: Any) -> float:
    inputs = morning(9.0, et0_mm=0.0, on_site=SLOW, **changes)
    return day_chances(prepare(inputs), 0, [working(inputs, DAY + timedelta(days=1))])[0]


def test_a_slow_soil_is_watered_at_the_end_of_the_day_before() -> None:
    assert chance_of_tomorrow() == pytest.approx(1.0)


@pytest.mark.parametrize(("wet_h", "chance"), [(16, 0.0), (17, 0.0), (12, 1.0)])
def test_rain_from_the_first_drop_on_is_on_top_of_the_dose(wet_h: int, chance: float) -> None:
    rain_mm = np.zeros(N_HOURS)
    rain_mm[row(wet_h)] = 30.0
    assert chance_of_tomorrow(rain_mm=rain_mm) == pytest.approx(chance)


def test_too_little_of_the_evening_for_the_truck_is_no_chance() -> None:
    assert chance_of_tomorrow(now_utc=at(13.0)) == pytest.approx(1.0)
    assert math.isnan(chance_of_tomorrow(now_utc=at(16.25)))
