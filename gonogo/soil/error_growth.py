"""How far the content may lie from what was simulated, by the time since the last reading; fitted on measured soil.

The half width grows with the days, the content, the rain since the reading, how far the content is expected to rise or
fall since then, and what the soil's unknown parameters do to the simulation, and is smaller the more readings have
taught. Rain widens it most in dry soil: wet soil drains back to where it was, whatever fell. The shape of the
distribution is that of measured errors, so a share of members within a window is a frequency.
"""

from __future__ import annotations

import importlib.resources
import json
from dataclasses import dataclass, field
from functools import cache

import numpy as np
import numpy.typing as npt

from gonogo.errors import SoilError

Floats = npt.NDArray[np.float64]

TERMS = (
    "one", "lead", "soil", "content", "content2", "rain", "thickness", "rain_lead", "taught", "rain_content",
    "rain_soil", "rise", "fall", "taught_rise", "taught_fall", "taught_lead", "rise_soil", "fall_soil",
)  # fmt: skip
LEAD_LEAST_D = 0.125  # a reading is not known to the hour
FITTED_FROM_D = 0.5  # no forecast that was measured is shorter: how rain and lead go together is not known before
SOIL_LEAST = 0.0015  # [m3/m3]
SOIL_SHARE = 0.1  # of the change expected, that the soil leaves open at least: one in ten measured forecasts has less
CONTENT_LEAST = 0.01  # [m3/m3]
CHANGE_LEAST = 0.003  # [m3/m3]
RAIN_MOST_MM = 150.0
# Standard deviation of what a simulation of a week still misses where the parameters are right [m3/m3]: fitted with the
# table of natural ground on the same stations; the power is that of the measured errors' growth over ten days.
SIMULATION_ERROR = 1.2
SIMULATION_ERROR_POWER = 0.42


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorGrowth:
    """The fitted table of one kind of ground.

    scale          coefficients of the logarithm of the half width, in the order of TERMS
    probability    rising, 0 to 1; quantile: of the measured errors in half widths, at those
    """

    scale: Floats = field(repr=False)
    probability: Floats = field(repr=False)
    quantile: Floats = field(repr=False)

    def half_width(self, terms: Floats) -> Floats:
        """Return the half width [m3/m3] from terms (..., TERMS)."""
        return np.exp(np.clip(terms @ self.scale, np.log(2e-4), np.log(0.2)))

    def steps(self, n_members: int) -> Floats:
        """Return where equally likely members stand (M,), in half widths, from the driest on; their mean is 0."""
        at = (np.arange(n_members) + 0.5) / n_members
        steps = np.interp(at, self.probability, self.quantile)
        return np.asarray(steps - steps.mean())


@cache
def shipped() -> dict[str, ErrorGrowth]:
    """Return the tables that travel with the package, by kind of ground."""
    return parsed(importlib.resources.files("gonogo.soil").joinpath("error_growth.json").read_text(encoding="utf-8"))


def parsed(text: str) -> dict[str, ErrorGrowth]:
    """Return the tables by ground from their JSON. Raises SoilError where they were fitted for other terms."""
    row = json.loads(text)
    if tuple(row["terms"]) != TERMS:
        raise SoilError("table of error growth: its terms are not this program's. Fit it again: tests/growth_fit.py.")
    return {
        ground: ErrorGrowth(
            scale=np.array(table["scale"]),
            probability=np.array(table["probability"]),
            quantile=np.array(table["quantile"]),
        )
        for ground, table in row["grounds"].items()
    }


def terms(
    *,
    lead_h: npt.ArrayLike,
    soil_variance: Floats,
    theta: Floats,
    expected: Floats,
    rain_mm: Floats,
    thickness_mm: npt.ArrayLike,
    n_taught: npt.ArrayLike,
) -> Floats:
    """Return what the half width depends on, (..., TERMS); all arguments broadcast.

    lead_h        hours since the reading; rain_mm water that came since
    soil_variance of the content, from what is not known of the soil's parameters [(m3/m3)^2]
    theta         content that the reading left; expected: that of the hour, without what the truck put on
    n_taught      readings that taught
    """
    of_all = (lead_h, soil_variance, theta, expected, rain_mm, thickness_mm, n_taught)
    shape = np.broadcast_shapes(*(np.shape(a) for a in of_all))
    lead = np.log(np.maximum(np.asarray(lead_h) / 24.0, LEAD_LEAST_D))
    change = expected - theta
    soil = np.log(np.maximum(np.sqrt(np.maximum(soil_variance, 0.0)), SOIL_SHARE * np.abs(change)) + SOIL_LEAST)
    content = np.log(np.maximum(theta, 0.0) + CONTENT_LEAST)
    rain = np.log1p(np.minimum(rain_mm, RAIN_MOST_MM))
    rise = np.log(np.maximum(change, 0.0) + CHANGE_LEAST)
    fall = np.log(np.maximum(-change, 0.0) + CHANGE_LEAST)
    taught = 1.0 / (1.0 + np.asarray(n_taught))
    out = np.empty((*shape, len(TERMS)))
    rain_lead = rain * np.maximum(lead, np.log(FITTED_FROM_D))
    columns = (
        1.0, lead, soil, content, content**2, rain, np.log(np.asarray(thickness_mm) / 150.0), rain_lead, taught,
        rain * content, rain * soil, rise, fall, taught * rise, taught * fall, taught * lead, rise * soil, fall * soil,
    )  # fmt: skip
    for k, column in enumerate(columns):
        out[..., k] = column
    return out


def model_error(theta: float, rain_mm: float, hours: int) -> float:
    """Return the standard deviation of what a simulation misses where the parameters are right [m3/m3]."""
    wet = min(rain_mm, 60.0) * float(np.clip(theta / 0.25, 0.3, 1.2))
    of_week = SIMULATION_ERROR * (0.004 + 0.03 * theta + 0.0004 * wet)
    return float(of_week * max(hours / 168.0, 1.0 / 168.0) ** SIMULATION_ERROR_POWER)
