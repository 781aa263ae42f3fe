"""Snow that lies, from what falls and melts, where the service says nothing of its depth."""

from __future__ import annotations

import numpy as np
import pytest

from gonogo.soil.rain import FRESH_SNOW_MM_PER_MM, SETTLED_SNOW_MM_PER_MM
from gonogo.weather.snow_and_frost import lying_snow

UNKNOWN = np.full(8, np.nan)


def test_what_falls_lies_from_the_next_hour_on() -> None:
    found = lying_snow(np.array([0.0, 2.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0]), np.full(8, -4.0), UNKNOWN)
    lies_mm = FRESH_SNOW_MM_PER_MM * np.array([0.0, 0.0, 2.0, 3.0, 3.0, 3.0, 3.0, 3.0])
    np.testing.assert_allclose(found["snow_lying_mm"], lies_mm)
    assert not found["melt_mm"].any()


def test_snow_of_a_known_depth_is_added_to_and_the_service_s_own_depth_stands() -> None:
    depth_mm = np.array([60.0, np.nan, np.nan, 90.0, np.nan, np.nan, np.nan, np.nan])
    found = lying_snow(np.array([0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]), np.full(8, -4.0), depth_mm)["snow_lying_mm"]
    before_mm = 60.0 / SETTLED_SNOW_MM_PER_MM
    assert found[:4] == pytest.approx(
        [60.0, FRESH_SNOW_MM_PER_MM * before_mm, FRESH_SNOW_MM_PER_MM * (before_mm + 1.0), 90.0]
    )


def test_snow_that_has_melted_lies_no_more() -> None:
    found = lying_snow(np.array([1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]), np.full(8, 12.0), UNKNOWN)
    assert found["melt_mm"].sum() == pytest.approx(1.0)
    assert found["snow_lying_mm"][-1] == 0.0
