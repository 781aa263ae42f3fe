"""Water that stands on a strip: the store of its hollows fills with rain, soaks in, dries, and freezes."""

from __future__ import annotations

import numpy as np
import pytest

from gonogo.soil.classes import SOIL_CLASSES
from gonogo.soil.ponding import HOLDS_MM, Seen, soaked_in_mm, standing_water_mm
from gonogo.soil.rain import SURFACES


def test_standing_water_soaks_into_sand_and_stays_on_frozen_ground() -> None:
    fallen = np.zeros((8, 1))
    fallen[0] = 6.0
    thawed = np.zeros(8, dtype=bool)
    sand, clay = (
        standing_water_mm(fallen, np.zeros(8), thawed, soil_classes=[soil], surfaces=["loose"])[:, 0][:, 0]
        for soil in ("sand", "clay")
    )
    assert sand[1] < clay[1] <= 5.0
    assert np.all(np.diff(clay[1:]) <= 0.0)
    ice = standing_water_mm(fallen, np.zeros(8), ~thawed, soil_classes=["sand"], surfaces=["sealed"])[:, 0][:, 0]
    assert ice[1:] == pytest.approx(np.full(7, 1.5))


def test_every_surface_holds_something_and_a_crowned_and_sealed_one_least() -> None:
    assert set(HOLDS_MM) == set(SURFACES)
    assert min(HOLDS_MM, key=HOLDS_MM.__getitem__) == "sealed"


@pytest.mark.parametrize("soil", SOIL_CLASSES)
def test_more_rain_never_leaves_less_standing_and_sun_never_more(soil: str) -> None:
    thawed = np.zeros(12, dtype=bool)
    fallen = np.array([0.0, 2.0, 8.0, 1.0, *(0.0,) * 8])[:, None]

    def stands(rain: np.ndarray, et0_mm: float) -> np.ndarray:
        return standing_water_mm(rain, np.full(12, et0_mm), thawed, soil_classes=[soil], surfaces=["sealed"])[:, 0]

    assert np.all(stands(2.0 * fallen, 0.1) >= stands(fallen, 0.1))
    assert np.all(stands(fallen, 0.5) <= stands(fallen, 0.1))


def test_water_that_was_seen_lies_as_deep_as_it_was_until_it_soaks_in_or_is_let_off() -> None:
    no_rain, thawed = np.zeros((12, 1)), np.zeros(12, dtype=bool)
    kind = {"soil_classes": ["loam"], "surfaces": ["loose"]}
    seen = [Seen(hour=2, strip=0, depth_mm=40.0)]
    stood = standing_water_mm(no_rain, np.zeros(12), thawed, seen=seen, **kind)[:, 0][:, 0]
    assert np.all(stood[:2] == 0.0)
    assert stood[2] == 40.0
    assert np.all(np.diff(stood[2:]) <= 0.0)
    assert 30.0 < stood[3] < 40.0
    soaked = soaked_in_mm(40.0, range(2, 12), np.zeros(12), thawed, soil_class="loam", surface="loose")
    assert stood[3:] == pytest.approx(40.0 - np.cumsum(soaked)[2:-1])
    drained = [*seen, Seen(hour=4, strip=0, depth_mm=0.0)]
    assert np.all(standing_water_mm(no_rain, np.zeros(12), thawed, seen=drained, **kind)[4:, 0] == 0.0)
    assert soaked_in_mm(40.0, range(12), np.zeros(12), ~thawed, soil_class="loam", surface="loose").sum() == 0.0


def test_melt_of_a_strip_stands_on_that_strip_alone() -> None:
    melt = np.zeros((4, 2))
    melt[0, 1] = 3.0
    stood = standing_water_mm(
        np.zeros((4, 1)),
        np.zeros(4),
        np.zeros(4, dtype=bool),
        melt_mm=melt,
        **{"soil_classes": ["clay", "clay"], "surfaces": ["sealed", "sealed"]},
    )
    assert stood[1, 0] == 0.0
    assert stood[1, 1] > 0.5
