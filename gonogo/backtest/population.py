"""What layers of soil are like before anything is learned of one, and members drawn around it.

A parameter stands on a scale without bounds: a start value, plus a regression on what is known on the issue day, plus
the station's own deviation, whose covariance over stations is part of the table. The table was fitted on measured soil;
its file says on which and when.
"""

from __future__ import annotations

import importlib.resources
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache

import numpy as np
import numpy.typing as npt

from gonogo.backtest.starts import PREDICTORS, TIMING, Starts
from gonogo.errors import SoilError
from gonogo.soil.balance import march
from gonogo.soil.block import Step
from gonogo.soil.layers import SoilParams, SoilState

Floats = npt.NDArray[np.float64]

PARAMETERS = ("field_capacity", "residual", "critical", "evaporation", "drainage", "room", "depth", "before_midday")
# From where the regression starts: logit of a content or share, or logarithm of a factor.
START: dict[str, float] = {
    "field_capacity": float(np.log(0.28 / 0.72)),
    "residual": -1.5,
    "critical": 1.0,
    "evaporation": float(np.log(0.7)),
    "drainage": float(np.log(0.5)),
    "room": -1.0,
    "depth": 0.0,
    "before_midday": 0.0,
}
# Which predictors a parameter may depend on.
USES: dict[str, tuple[str, ...]] = {
    "field_capacity": ("reading", "wet30", "wet100", "dryness", "wet10", "thickness"),
    "residual": ("reading", "dryness"),
    "critical": ("reading", "dryness"),
    "evaporation": ("reading", "dryness", "et_week", "temp_month", "thickness"),
    "drainage": ("reading", "dryness", "thickness"),
    "room": (),
    "depth": ("reading", "dryness", "wet10", "thickness"),
    "before_midday": ("thickness",),
}
COEFFICIENTS = (
    *((p, use) for p in PARAMETERS for use in ("1", *USES[p])),
    *(("timing", name) for name in TIMING),
)
PREDICTOR_LIMIT_SD = 2.5  # a predictor counts for no more than this many standard deviations
FULLEST = 0.62  # porosity of loose soil [m3/m3]
DAY_TIMING_SD = 1.5  # day by day, of the logit of the share of rain before midday: fitted with the table
DAILY = Step(length_h=24.0, n_parts=2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Population:
    """The fitted table.

    beta              coefficients in the order of COEFFICIENTS
    centre, scale     of the predictors, in the order of PREDICTORS
    covariance        of a station's deviations, in the order of PARAMETERS
    spread            for each use of readings: how wide the band is, see forecast.py
    source            on what it was fitted, and when
    """

    beta: Floats = field(repr=False)
    centre: Floats = field(repr=False)
    scale: Floats = field(repr=False)
    covariance: Floats = field(repr=False)
    spread: Mapping[str, Mapping[str, Floats]] = field(repr=False)
    source: str

    def deviations(self, n_members: int) -> Floats:
        """Return the deviations of members (PARAMETERS, M): the same in every run."""
        root = np.linalg.cholesky(self.covariance)
        return np.asarray(root @ whitened(len(PARAMETERS), n_members))


@cache
def shipped() -> Population:
    """Return the table that travels with the package."""
    return parsed(importlib.resources.files("gonogo.backtest").joinpath("population.json").read_text(encoding="utf-8"))


def parsed(text: str) -> Population:
    """Return a table from its JSON. Raises SoilError where it was fitted for other names than this program's."""
    row = json.loads(text)
    names = (tuple(tuple(name) for name in row["coefficients"]), tuple(row["parameters"]), tuple(row["predictors"]))
    if names != (COEFFICIENTS, PARAMETERS, PREDICTORS):
        raise SoilError("table of soils: its names are not this program's. Fit it again: tests/fit_population.py.")
    return Population(
        beta=np.array(row["beta"]),
        centre=np.array(row["centre"]),
        scale=np.array(row["scale"]),
        covariance=np.array(row["covariance"]),
        spread={
            mode: {name: np.array(values) for name, values in constants.items()}
            for mode, constants in row["spread"].items()
        },
        source=row["source"],
    )


def whitened(n_rows: int, n_members: int, seed: int = 0) -> Floats:
    """Return draws (rows, M) whose mean is 0 and whose covariance over the members is the identity, both exactly."""
    draws = np.random.default_rng(seed).standard_normal((n_rows, n_members))
    draws -= draws.mean(axis=1, keepdims=True)
    return np.linalg.solve(np.linalg.cholesky(draws @ draws.T / (n_members - 1)), draws)


def members(
    table: Population,
    of: Starts,
    *,
    deviations: Floats | None = None,
    day_timing: Floats | None = None,
    beta: Floats | None = None,
) -> Floats:
    """Return the contents of the ten days after each start as (HORIZON, N, M) [m3/m3].

    deviations   (PARAMETERS, M), None for one member without any
    day_timing   standard normal draws (N, D, M): how the timing of rain differs from day to day, None for not at all
    beta         in place of the table's own, for fitting

    A step goes from midday to midday, so that its end stands for the mean of a day.
    Checked in tests/backtest/test_forecast.py.
    """
    away = np.zeros((len(PARAMETERS), 1)) if deviations is None else deviations
    n, n_members = len(of), away.shape[1]
    scores, timing = _scores(table.beta if beta is None else beta, table, of)
    scores = scores[:, :, None] + away[:, None, :]
    logit = (of.timing @ timing)[:, :, None] + scores[PARAMETERS.index("before_midday")][:, None, :]
    if day_timing is not None:
        logit = logit + DAY_TIMING_SD * day_timing
    morning = _sigmoid(logit)
    water = of.water_mm[:, :, None]
    rain = (1.0 - morning[:, :-1]) * water[:, :-1] + morning[:, 1:] * water[:, 1:]
    et0 = 0.5 * (of.et0_mm[:, :-1] + of.et0_mm[:, 1:])
    n_steps = rain.shape[1]
    params = soil_params(scores, of.thickness_mm[:, None])
    depth_mm = params.top_thickness_mm
    path = march(
        SoilState(top_mm=of.theta[:, None] * depth_mm, base_mm=np.zeros((n, n_members))),
        params,
        et0_mm=et0.T[:, :, None],
        rain_mm=rain.transpose(1, 0, 2),
        watering_mm=np.zeros((n_steps, n)),
        surface=np.zeros((n_steps, n), dtype=np.int64),
        frozen=np.zeros(n_steps, dtype=np.bool_),
        kc_max=np.ones(n_steps),
        step=DAILY,
        n_threads=1,
    )
    return np.asarray(path.top_mm[1:] / depth_mm)


def soil_params(scores: Floats, thickness_mm: Floats) -> SoilParams:
    """Return the parameters of the balance from scores (PARAMETERS, ...) on the scale without bounds.

    The loss falls in a straight line from the critical content to none at the residual one: FAO-56's two stages, with
    TEW and REW counted from field capacity. The effective depth is how deep the water of the layer reaches.
    """
    s = dict(zip(PARAMETERS, scores, strict=True))
    fc = _sigmoid(s["field_capacity"])
    residual = fc * _sigmoid(s["residual"])
    critical = residual + _sigmoid(s["critical"]) * (fc - residual)
    depth_mm = thickness_mm * np.exp(s["depth"])
    nothing = np.zeros(())
    return SoilParams(
        top_thickness_mm=depth_mm,
        base_thickness_mm=nothing,
        theta_fc=fc,
        theta_sat=np.maximum(np.minimum(fc * (1.0 + np.exp(s["room"])), FULLEST), 1.01 * fc),
        tew_mm=(fc - residual) * depth_mm,
        rew_mm=(fc - critical) * depth_mm,
        evaporation_factor=np.exp(s["evaporation"]),
        drainage_frac_h=nothing,
        base_drainage_frac_h=nothing,
        resupply_frac_h=nothing,
        intake_mm_h=np.array(np.inf),
        drainage_rise_h=np.exp(s["drainage"]) / 24.0,
    )


def _scores(beta: Floats, table: Population, of: Starts) -> tuple[Floats, Floats]:
    """Scores of each start (PARAMETERS, N), and the coefficients of TIMING."""
    known = np.clip((of.predictors - table.centre) / table.scale, -PREDICTOR_LIMIT_SD, PREDICTOR_LIMIT_SD)
    rows, k = [], 0
    for name in PARAMETERS:
        row = np.full(len(of), START[name] + beta[k])
        k += 1
        for use in USES[name]:
            row = row + beta[k] * known[:, PREDICTORS.index(use)]
            k += 1
        rows.append(row)
    return np.stack(rows), beta[k:]


def _sigmoid(x: Floats) -> Floats:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(x, -9.0, 9.0))))
