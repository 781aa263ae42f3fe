"""Single hours that a roller can or cannot work in, at the numbers where one becomes the other."""

from __future__ import annotations

import numpy as np
import pytest
from hand_made import SETTINGS, hourly, morning, row

from gonogo.decide.conditions import conditions
from gonogo.units import WIND_2M_OF_10M
from gonogo.weather.frost import FROZEN_FROM_MM

NOON = row(12)


def at_noon(value: float, otherwise: float = 0.0) -> np.ndarray:
    made = hourly(otherwise)
    made[NOON] = value
    return made


@pytest.mark.parametrize(("depth_mm", "may_roll"), [(FROZEN_FROM_MM - 0.1, 1.0), (FROZEN_FROM_MM, 0.0)])
def test_frost_in_the_lift_stops_it_under_mild_air(depth_mm: float, may_roll: float) -> None:
    found = conditions(morning(sky={"frost_depth_mm": at_noon(depth_mm)}))
    assert found.is_unfrozen[NOON] == may_roll
    assert found.is_unfrozen[NOON + 1] == 1.0


@pytest.mark.parametrize(("share", "may_roll"), [(0.99, 1.0), (1.0, 0.0)])
def test_wind_is_held_at_ten_metres_against_the_site_s_stop(share: float, may_roll: float) -> None:
    stop_m_s = SETTINGS["wind_stop_m_s"]
    found = conditions(morning(sky={"wind_2m_m_s": at_noon(share * stop_m_s * WIND_2M_OF_10M + 1e-9)}))
    assert found.is_calm[NOON] == may_roll


@pytest.mark.parametrize(("share", "may_roll"), [(0.99, 1.0), (1.0, 0.0)])
def test_snow_stops_it_from_the_site_s_depth_on_and_while_it_falls(share: float, may_roll: float) -> None:
    lying = conditions(morning(sky={"snow_lying_mm": at_noon(share * SETTINGS["snow_lying_stop_mm"])}))
    assert (lying.is_bare[NOON], lying.is_unfrozen[NOON]) == (may_roll, may_roll)
    falling = conditions(morning(sky={"snow_mm": at_noon(share * SETTINGS["light_rain_mm_h"])}))
    assert falling.is_unfrozen[NOON] == may_roll
    assert falling.is_bare[NOON] == 1.0
