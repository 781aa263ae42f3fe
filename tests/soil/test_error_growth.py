"""How the error of a forecast grows: with the days, and with rain by how wet the soil is. By the shipped tables."""

from __future__ import annotations

import numpy as np
import pytest

from gonogo.soil.error_growth import ErrorGrowth, shipped, terms

GROUNDS = shipped()
# What the soil's parameters do to the content by the days since a reading [m3/m3]: as on the stations, rounded.
SOIL_SD = {0.125: 0.002, 0.5: 0.004, 1.0: 0.006, 3.0: 0.012, 10.0: 0.02}
THICKNESS_MM = 200.0


def half_width(growth: ErrorGrowth, days: float, *, theta: float, rain_mm: float, n_taught: int = 5) -> float:
    fallen, risen = 0.04 * theta * days**0.7, 0.7 * rain_mm / THICKNESS_MM
    row = terms(
        lead_h=np.array([24.0 * days]),
        soil_variance=np.array([SOIL_SD[days] ** 2]),
        theta=np.array([theta]),
        expected=np.array([theta + risen if rain_mm else theta - fallen]),
        rain_mm=np.array([rain_mm]),
        thickness_mm=THICKNESS_MM,
        n_taught=n_taught,
    )
    return float(growth.half_width(row)[0])


@pytest.mark.parametrize("kind", GROUNDS)
@pytest.mark.parametrize("theta", [0.12, 0.25, 0.35])
def test_the_error_grows_with_the_days(kind: str, theta: float) -> None:
    widths = [half_width(GROUNDS[kind], days, theta=theta, rain_mm=0.0) for days in SOIL_SD]
    assert widths == sorted(widths)
    assert 0.0005 < widths[0] < widths[-1] < 0.06


@pytest.mark.parametrize("kind", GROUNDS)
@pytest.mark.parametrize("days", [1.0, 3.0])
def test_rain_widens_the_error_of_dry_soil_more_than_that_of_wet_soil(kind: str, days: float) -> None:
    """Wet soil drains back to where it was, whatever fell."""
    wider = [
        half_width(GROUNDS[kind], days, theta=theta, rain_mm=15.0)
        / half_width(GROUNDS[kind], days, theta=theta, rain_mm=0.0)
        for theta in (0.12, 0.25, 0.35)
    ]
    assert wider == sorted(wider, reverse=True)
    assert wider[0] > max(1.2 * wider[-1], 1.9)


@pytest.mark.parametrize("kind", GROUNDS)
def test_no_rain_within_hours_of_a_test_leaves_the_lift_anywhere(kind: str) -> None:
    """The fit has seen no less than half a day: what it says of hours must stay within reason.

    At most two fifths of the rain, in a lift of 200 mm.
    """
    for rain_mm in (15.0, 40.0):
        for theta in (0.12, 0.25, 0.35):
            assert half_width(GROUNDS[kind], 0.125, theta=theta, rain_mm=rain_mm) < max(0.4 * rain_mm / 200.0, 0.05)
