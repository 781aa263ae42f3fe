"""Water that stands on a strip: the store of its hollows fills with rain, soaks in, dries, and freezes."""

from __future__ import annotations

import numpy as np
import pytest

from gonogo.soil.classes import SOIL_CLASSES
from gonogo.soil.ponding import HOLDS_MM, standing_water_mm
from gonogo.soil.rain import SURFACES


def test_standing_water_soaks_into_sand_and_stays_on_frozen_ground() -> None:
    fallen = np.zeros((8, 1))
    fallen[0] = 6.0
    thawed = np.zeros(8, dtype=bool)
    sand, clay = (
        standing_water_mm(fallen, np.zeros(8), thawed, soil_classes=[soil], surfaces=["loose"])[:, 0, 0]
        for soil in ("sand", "clay")
    )
    assert sand[1] < clay[1] <= 5.0
    assert np.all(np.diff(clay[1:]) <= 0.0)
    ice = standing_water_mm(fallen, np.zeros(8), ~thawed, soil_classes=["sand"], surfaces=["sealed"])[:, 0, 0]
    assert ice[1:] == pytest.approx(np.full(7, 1.5))


def test_every_surface_holds_something_and_a_crowned_and_sealed_one_least() -> None:
    assert set(HOLDS_MM) == set(SURFACES)
    assert min(HOLDS_MM, key=HOLDS_MM.__getitem__) == "sealed"


@pytest.mark.parametrize("soil", SOIL_CLASSES)
def test_more_rain_never_leaves_less_standing_and_sun_never_more(soil: str) -> None:
    thawed = np.zeros(12, dtype=bool)
    fallen = np.array([0.0, 2.0, 8.0, 1.0, *(0.0,) * 8])[:, None]

    def stands(rain: np.ndarray, et0_mm: float) -> np.ndarray:
        return standing_water_mm(rain, np.full(12, et0_mm), thawed, soil_classes=[soil], surfaces=["sealed"])

    assert np.all(stands(2.0 * fallen, 0.1) >= stands(fallen, 0.1))
    assert np.all(stands(fallen, 0.5) <= stands(fallen, 0.1))
