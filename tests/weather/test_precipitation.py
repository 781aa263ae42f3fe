"""Rain or snow, hour by hour, where a service does not tell them apart."""

from __future__ import annotations

import math
from typing import Any, cast

import pandas as pd
import pytest

from gonogo.weather.precipitation import separated

FREEZING_RAIN, RAIN, SNOW = 66.0, 61.0, 73.0  # WMO 4677


@pytest.mark.parametrize(
    ("temp_degc", "code", "snow_told_mm", "snow_mm"),
    [
        (-1.0, FREEZING_RAIN, math.nan, 0.0),
        (-1.0, RAIN, math.nan, 0.0),
        (-1.0, math.nan, math.nan, 2.0),
        (0.0, math.nan, math.nan, 2.0),
        (0.1, math.nan, math.nan, 0.0),
        (1.0, SNOW, math.nan, 2.0),
        (5.0, math.nan, 1.5, 1.5),
        (-5.0, math.nan, 0.0, 0.0),
        (-5.0, SNOW, 2.3, 2.0),
    ],
)
def test_the_service_s_snow_goes_before_its_code_and_the_code_before_the_cold(
    temp_degc: float, code: float, snow_told_mm: float, snow_mm: float
) -> None:
    row = {"precip_mm": [2.0], "snow_mm": [snow_told_mm], "temp_degc": [temp_degc], "weather_code": [code]}
    table, _ = separated(pd.DataFrame(row), cast("Any", None))
    assert table["snow_mm"][0] == pytest.approx(snow_mm)
    assert table["rain_mm"][0] == pytest.approx(2.0 - snow_mm)
