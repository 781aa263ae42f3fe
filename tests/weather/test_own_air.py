"""The limits by which the air of a forecast contradicts itself, on days made for each of them."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from gonogo.weather.air_agreement import driest_air, light_at_noon, warm_after_noon
from gonogo.weather.own_days import OwnDays

DAYS = 4
ANGLE = np.tile((np.arange(24) + 0.5 - 12.0) * np.pi / 12.0, DAYS)  # of the sun in the middle of each hour
ABOVE = np.maximum(np.cos(ANGLE), 0.0)


def days_of(**columns: np.ndarray) -> OwnDays:
    day = np.repeat(np.arange(DAYS), 24)
    found = SimpleNamespace(
        day=day,
        is_whole=np.ones(DAYS, dtype=bool),
        is_light_told=True,
        sun=SimpleNamespace(angle_mid_rad=ANGLE, extraterrestrial_mj_m2_h=ABOVE),
        column=lambda name: columns[name],
        by_day=lambda values: np.bincount(day, weights=values, minlength=DAYS),
        date=lambda n: f"day {n}",
    )
    return cast("OwnDays", found)


@pytest.mark.parametrize(
    ("warmest_h", "swing_degc", "is_odd"),
    [
        (15.0, 10.0, False),
        (11.6, 10.0, False),
        (11.4, 10.0, True),
        (18.9, 10.0, False),
        (19.1, 10.0, True),
        (9.0, 1.6, True),
        (9.0, 1.4, False),  # an overcast week says nothing of the hour
    ],
)
def test_days_are_warmest_after_noon(warmest_h: float, swing_degc: float, is_odd: bool) -> None:
    temp = 12.0 + swing_degc / 2.0 * np.cos(ANGLE - (warmest_h - 12.0) * np.pi / 12.0)
    found = warm_after_noon(days_of(temp_degc=temp))
    assert (found is not None) == is_odd
    if found is not None and warmest_h == 9.0:
        assert "around 9:00" in found.found


@pytest.mark.parametrize(("late_h", "is_odd"), [(0, False), (1, True), (-1, True)])
def test_the_middle_of_the_light_lies_at_noon(late_h: int, is_odd: bool) -> None:
    light = np.roll(ABOVE, late_h) * 700.0
    found = light_at_noon(days_of(shortwave_w_m2=light))
    assert (found is not None) == is_odd
    if found is not None:
        assert f"1.0 h {'late' if late_h > 0 else 'early'}" in found.found


def test_three_quarters_of_an_hour_beside_noon_are_still_believed() -> None:
    def beside(share: float) -> OwnDays:
        return days_of(shortwave_w_m2=700.0 * ((1.0 - share) * ABOVE + share * np.roll(ABOVE, 1)))

    assert light_at_noon(beside(0.74)) is None
    assert light_at_noon(beside(0.76)) is not None


@pytest.mark.parametrize(("rh_pct", "is_odd"), [(2.9, True), (3.1, False)])
def test_no_land_has_air_below_three_per_cent(rh_pct: float, is_odd: bool) -> None:
    assert (driest_air(days_of(rh_pct=np.full(24 * DAYS, rh_pct))) is not None) == is_odd
