"""The two kinds of ground that a strip can be: fill that was spread, and natural ground that lay there all along."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np
import numpy.typing as npt

from gonogo.soil import error_growth, natural
from gonogo.soil.error_growth import ErrorGrowth
from gonogo.soil.knowledge import Knowledge
from gonogo.soil.layers import SoilParams, SoilState
from gonogo.soil.season import Season, predictors
from gonogo.soil.strip import LEARNABLE, SCORE_LIMIT, START_SPREAD, StripSoil, drawn_start, params_from_scores

Floats = npt.NDArray[np.float64]

FILL, NATURAL = "fill", "natural"
NEVER_H = np.iinfo(np.int64).max  # an hour that no run reaches
SCORE_NAMES: dict[str, tuple[str, ...]] = {FILL: tuple(LEARNABLE), NATURAL: tuple(natural.PARAMETERS)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Tables:
    """What was fitted on measured soil: the population of natural ground, and how errors grow by kind of ground."""

    population: natural.Population = field(default_factory=natural.shipped, repr=False)
    growth: Mapping[str, ErrorGrowth] = field(default_factory=error_growth.shipped, repr=False)


class Ground(Protocol):
    """What a kind of ground must tell.

    n_scores     parameters that readings teach
    growth       how the error grows with the days since a reading
    is_carried   members run with what was learned; else as before any reading, and are moved afterwards
    loosened_at  (S,) hour from whose start on the lift lies loose and bare; NEVER_H: it does not, nor did it
    """

    @property
    def n_scores(self) -> int: ...

    @property
    def growth(self) -> ErrorGrowth: ...

    @property
    def is_carried(self) -> bool: ...

    @property
    def loosened_at(self) -> npt.NDArray[np.int64]: ...

    def only(self, which: Sequence[int]) -> Ground:
        """Return some of the strips."""

    def start(self, draws: Floats) -> SoilState:
        """Return the state (S, M) before any reading from draws (2, S, M)."""

    def params(
        self,
        scores: Floats,
        theta: Floats,
        hour: Sequence[int],
        known: Sequence[Knowledge],
        is_loosened: npt.NDArray[np.bool_],
    ) -> SoilParams:
        """Return the parameters of scores (P, S, M) where the strips held theta (S,) at an hour each.

        is_loosened   (S,) of an hour at or after `loosened_at`
        """

    def placed(self, params: SoilParams, theta: Floats, apart: Floats, strip: int) -> tuple[Floats, Floats]:
        """Return top and base [mm] (M,) of a strip whose members hold theta (M,) [m3/m3].

        apart   how much wetter the top is than the mean (M,) [m3/m3]
        """


@dataclass(frozen=True, slots=True, kw_only=True)
class Fill:
    """Fill: two layers that start from soil class and laboratory.

    loosened_at   (S,) as of Ground: when it was recorded, or is imagined, to be spread, disked or mixed
    """

    strips: StripSoil = field(repr=False)
    growth: ErrorGrowth = field(repr=False)
    loosened_at: npt.NDArray[np.int64] = field(repr=False)
    n_scores: int = len(LEARNABLE)
    is_carried: bool = True

    def only(self, which: Sequence[int]) -> Fill:
        return replace(self, strips=self.strips.only(which), loosened_at=self.loosened_at[list(which)])

    def start(self, draws: Floats) -> SoilState:
        start = drawn_start(self.strips, draws)
        lift = self.strips.lift_thickness_mm[:, None] - self.strips.top_mm[:, None]
        nothing = np.zeros((self.n_scores, *start.top_mm.shape))
        is_loosened = self.loosened_at <= 0
        column = self.params(nothing, self.strips.start_theta, [], [], is_loosened).base_thickness_mm
        return SoilState(top_mm=start.top_mm, base_mm=start.base_mm * (column / lift))

    def params(
        self,
        scores: Floats,
        theta: Floats,
        hour: Sequence[int],
        known: Sequence[Knowledge],
        is_loosened: npt.NDArray[np.bool_],
    ) -> SoilParams:
        return params_from_scores(self.strips, np.clip(scores, -SCORE_LIMIT, SCORE_LIMIT), theta, is_loosened)

    def placed(self, params: SoilParams, theta: Floats, apart: Floats, strip: int) -> tuple[Floats, Floats]:
        thick_top, full = self.strips.top_mm[strip], self.strips.theta_sat[strip]
        total = theta * params.column_mm[strip]
        thick_base = params.column_mm[strip] - thick_top
        # Neither layer may end below dry or past full; the lift keeps the mean that was measured.
        least, most = np.maximum(total - full * thick_base, 0.0), np.minimum(full * thick_top, total)
        top = np.clip((theta + apart) * thick_top, least, most)
        return top, total - top


@dataclass(frozen=True, slots=True, kw_only=True)
class Natural:
    """Natural ground: one column that starts from what measured places like it were found to be."""

    strips: StripSoil = field(repr=False)
    season: Season = field(repr=False)
    table: natural.Population = field(repr=False)
    growth: ErrorGrowth = field(repr=False)
    n_scores: int = len(natural.PARAMETERS)
    is_carried: bool = False

    @property
    def loosened_at(self) -> npt.NDArray[np.int64]:
        """Its parameters are of places as measured: work opens the surface of the sky's own row, and nothing more."""
        return np.full(self.strips.omc_pct.size, NEVER_H)

    def only(self, which: Sequence[int]) -> Natural:
        return replace(self, strips=self.strips.only(which))

    def start(self, draws: Floats) -> SoilState:
        theta = self.strips.start_theta[:, None]
        held = np.clip(theta * (1.0 + START_SPREAD * draws[0]), 0.1 * theta, self.strips.theta_sat[:, None])
        scores = np.zeros((self.n_scores, *held.shape))
        nobody = [Knowledge(mean=np.zeros(1), covariance=np.eye(1))] * len(held)
        none = np.zeros(len(held), dtype=np.bool_)
        first = self.params(scores, self.strips.start_theta, [0] * len(held), nobody, none)
        return SoilState(top_mm=held * first.column_mm, base_mm=np.zeros_like(held))

    def params(
        self,
        scores: Floats,
        theta: Floats,
        hour: Sequence[int],
        known: Sequence[Knowledge],
        is_loosened: npt.NDArray[np.bool_],
    ) -> SoilParams:
        thick, s_range = self.strips.lift_thickness_mm, range(len(theta))
        row = np.stack(
            [
                predictors(
                    self.season.at(hour[s]),
                    float(theta[s]),
                    float(thick[s]),
                    float(np.fmax(known[s].highest, theta[s])),
                    float(np.fmin(known[s].lowest, theta[s])),
                )
                for s in s_range
            ]
        )
        is_later = np.array([k.n_readings > 1 for k in known])
        expected = np.where(is_later, *(natural.scores(self.table, row, name) for name in ("later", "first")))
        away = np.einsum("pq,qsm->psm", self.table.root, scores)
        return natural.params(expected[:, :, None] + away, thick[:, None], self.strips.theta_sat[:, None])

    def placed(self, params: SoilParams, theta: Floats, apart: Floats, strip: int) -> tuple[Floats, Floats]:
        return theta * params.column_mm[strip], np.zeros_like(theta)
