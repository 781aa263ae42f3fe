"""What natural ground is like before anything is learned of it, and members drawn around that.

Natural ground (cut, subgrade in place, undisturbed; grass or bare) is simulated as one column that is deeper than the
layer asked about: what rain brings and sun takes is shared with the soil below it. A parameter stands on a scale
without bounds: a start value, plus a regression on what is known at a reading, plus the strip's own deviation, whose
covariance over places is part of the table. Of one reading less is known than of several, so the table holds two
regressions. It was fitted on measured soil by tests/fit_natural.py; its file says on which and when.
"""

from __future__ import annotations

import importlib.resources
import json
from dataclasses import dataclass, field
from functools import cache

import numpy as np
import numpy.typing as npt

from gonogo.errors import SoilError
from gonogo.soil.layers import SoilParams

Floats = npt.NDArray[np.float64]

# From where the regression starts: logit of a content or share, or logarithm of a factor.
PARAMETERS: dict[str, float] = {
    "field_capacity": float(np.log(0.28 / 0.72)),
    "residual": -1.5,
    "critical": 1.0,
    "evaporation": float(np.log(0.7)),
    "drainage": float(np.log(0.5)),
    "room": -1.0,
    "depth": 0.0,
    "feed": float(np.log(0.05)),
    "below": 0.0,
    "intake": float(np.log(20.0)),
}
# What is known at a reading: its content, filling of three buckets under the weather so far, how dry that weather was,
# reference evapotranspiration of the week, temperature of the fortnight, thickness, how far the highest and the lowest
# reading so far lie above and below it.
PREDICTORS = (
    "reading", "wet30", "wet100", "wet10", "dryness", "et_week", "temp_month", "thickness", "highest", "lowest",
)  # fmt: skip
HISTORY = ("highest", "lowest")  # nothing before the second reading
# How far a reading lies below the usual one, no predictor of its own: sand, which holds little, drains fast. By the
# reading itself clay, fitted on few rains, drained hardly at all, as no soil does.
COARSE = "coarse"
_WEATHER_USES: dict[str, tuple[str, ...]] = {
    "field_capacity": ("reading", "wet30", "wet100", "dryness", "wet10", "thickness"),
    "residual": ("reading", "dryness"),
    "critical": ("reading", "dryness"),
    "evaporation": ("reading", "dryness", "et_week", "temp_month", "thickness"),
    "drainage": (COARSE, "dryness", "thickness"),
    "room": ("reading", "dryness", "wet10", "thickness"),
    "depth": ("reading", "dryness", "wet10", "thickness"),
    "feed": ("dryness",),
    "below": ("reading", "wet100", "dryness"),
    "intake": ("reading", "et_week", "thickness"),
}
_HISTORY_USES: dict[str, tuple[str, ...]] = dict.fromkeys(PARAMETERS, HISTORY) | {"feed": ("highest",), "intake": ()}
TABLES = ("first", "later")
COEFFICIENTS: dict[str, tuple[tuple[str, str], ...]] = {
    "first": tuple((p, use) for p in PARAMETERS for use in ("1", *_WEATHER_USES[p])),
    "later": tuple((p, use) for p in PARAMETERS for use in ("1", *_WEATHER_USES[p], *_HISTORY_USES[p])),
}
PREDICTOR_LIMIT_SD = 2.5  # a predictor counts for no more than this many standard deviations
FULLEST = 0.62  # porosity of loose soil [m3/m3]
INTAKE_MM_H = (1.0, 500.0)  # beyond these a capacity is no soil's


@dataclass(frozen=True, slots=True, kw_only=True)
class Population:
    """The fitted table.

    beta           coefficients of each of TABLES in the order of COEFFICIENTS
    centre, scale  of the predictors, in the order of PREDICTORS
    root           Cholesky factor of the covariance of a place's deviations, in the order of PARAMETERS
    source         on what it was fitted, and when
    """

    beta: dict[str, Floats] = field(repr=False)
    centre: Floats = field(repr=False)
    scale: Floats = field(repr=False)
    root: Floats = field(repr=False)
    source: str


@cache
def shipped() -> Population:
    """Return the table that travels with the package."""
    return parsed(importlib.resources.files("gonogo.soil").joinpath("natural.json").read_text(encoding="utf-8"))


def parsed(text: str) -> Population:
    """Return a table from its JSON. Raises SoilError where it was fitted for other names than this program's."""
    row = json.loads(text)
    names = {name: tuple(tuple(pair) for pair in pairs) for name, pairs in row["coefficients"].items()}
    if (names, tuple(row["parameters"]), tuple(row["predictors"])) != (COEFFICIENTS, tuple(PARAMETERS), PREDICTORS):
        raise SoilError(
            "table of natural ground: its names are not this program's. Fit it again: tests/fit_natural.py."
        )
    return Population(
        beta={name: np.array(row["beta"][name]) for name in TABLES},
        centre=np.array(row["centre"]),
        scale=np.array(row["scale"]),
        root=np.linalg.cholesky(np.array(row["covariance"])),
        source=row["source"],
    )


def scores(table: Population, known: Floats, name: str, beta: Floats | None = None) -> Floats:
    """Return the expected scores (PARAMETERS, S) from what is known (S, PREDICTORS), by the table's `name`.

    beta   in place of the table's own, for fitting
    """
    found = np.clip((known - table.centre) / table.scale, -PREDICTOR_LIMIT_SD, PREDICTOR_LIMIT_SD)
    out = np.repeat(np.array(list(PARAMETERS.values()))[:, None], known.shape[0], axis=1)
    row = {p: i for i, p in enumerate(PARAMETERS)}
    of_use = {"1": np.ones(len(found)), COARSE: np.minimum(found[:, PREDICTORS.index("reading")], 0.0)}
    of_use |= {name: found[:, k] for k, name in enumerate(PREDICTORS)}
    for (parameter, use), b in zip(COEFFICIENTS[name], table.beta[name] if beta is None else beta, strict=True):
        out[row[parameter]] += b * of_use[use]
    return out


def params(scores: Floats, thickness_mm: Floats, theta_sat: Floats) -> SoilParams:
    """Return the parameters of the balance from scores (PARAMETERS, S, M) on the scale without bounds.

    thickness_mm, theta_sat   of the layer asked about, (S, 1) [mm], [m3/m3]

    The loss falls in a straight line from the critical content to none at the residual one: FAO-56's two stages, with
    TEW and REW counted from field capacity. Rain goes in up to a capacity that varies from spot to spot, as on fill.
    Checked in tests/soil/test_natural.py.
    """
    s = dict(zip(PARAMETERS, scores, strict=True))
    fc = np.minimum(_sigmoid(s["field_capacity"]), 0.95 * theta_sat)
    residual = fc * _sigmoid(s["residual"])
    critical = residual + _sigmoid(s["critical"]) * (fc - residual)
    depth_mm = thickness_mm * np.exp(np.clip(s["depth"], -1.0, 2.5))
    nothing = np.zeros(())
    return SoilParams(
        top_thickness_mm=depth_mm,
        base_thickness_mm=nothing,
        theta_fc=fc,
        theta_sat=np.maximum(np.minimum(fc * (1.0 + np.exp(s["room"])), np.minimum(FULLEST, theta_sat)), 1.01 * fc),
        tew_mm=(fc - residual) * depth_mm,
        rew_mm=(fc - critical) * depth_mm,
        evaporation_factor=np.exp(np.clip(s["evaporation"], np.log(0.15), np.log(2.5))),
        drainage_frac_h=nothing,
        base_drainage_frac_h=nothing,
        resupply_frac_h=nothing,
        intake_mm_h=np.exp(np.clip(s["intake"], *np.log(INTAKE_MM_H))),
        drainage_rise_h=np.exp(np.minimum(s["drainage"], 6.0)) / 24.0,
        below_theta=residual + _sigmoid(s["below"]) * (fc - residual),
        truck_gain=np.maximum(depth_mm / thickness_mm, 1.0),
        below_frac_h=np.minimum(np.exp(s["feed"]) / 24.0, 1.0),
    )


def _sigmoid(x: Floats) -> Floats:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(x, -9.0, 9.0))))
