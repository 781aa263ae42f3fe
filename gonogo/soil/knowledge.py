"""What readings have taught of a strip's soil: a mean and a covariance of scores, moved by each pair of readings.

A score is a soil parameter on a scale on which it is standard normal before any reading. How much a water content
answers to each score is a regression over the members; with it a reading that closes a simulation moves all scores at
once, and the contents to come with them. What is known is small and whole: no reading counts twice, none is forgotten.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from gonogo.errors import SoilError

Floats = npt.NDArray[np.float64]

SURPRISE_LIMIT_SD = 3.0  # a pair farther off than this many standard deviations teaches no more than that


@dataclass(frozen=True, slots=True, kw_only=True)
class Knowledge:
    """What is known of one strip's soil.

    mean, covariance   of the scores (P,), (P, P); 0 and identity before any reading
    n_readings         readings so far; n_taught those of them that closed a simulation and so taught
    highest, lowest    content so far at a reading [m3/m3], NaN before the first
    """

    mean: Floats = field(repr=False)
    covariance: Floats = field(repr=False)
    n_readings: int = 0
    n_taught: int = 0
    highest: float = np.nan
    lowest: float = np.nan

    @property
    def sd(self) -> Floats:
        """Standard deviation of each score (P,)."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def root(self) -> Floats:
        """The symmetric root of the covariance: scores of members are mean + root @ standard normal draws."""
        value, vector = np.linalg.eigh(self.covariance)
        return np.asarray((vector * np.sqrt(np.maximum(value, 0.0))) @ vector.T)

    def discounted(self, share: float) -> Knowledge:
        """Return what the next lift of the same material may take over: `share` 1 everything, 0 nothing.

        The mean shrinks to the default and the spread grows back to what it was before any reading.
        """
        if not 0.0 <= share <= 1.0:
            raise SoilError(f"share of what was learned = {share:g}: must lie between 0 and 1, for example 0.5.")
        eye = np.eye(self.mean.size)
        return Knowledge(mean=share * self.mean, covariance=share**2 * self.covariance + (1.0 - share**2) * eye)

    def read(self, theta: float) -> Knowledge:
        """Return the knowledge with one more reading counted, of which the lift holds theta [m3/m3]."""
        return replace(
            self,
            n_readings=self.n_readings + 1,
            highest=float(np.fmax(self.highest, theta)),
            lowest=float(np.fmin(self.lowest, theta)),
        )

    def taught(self, answer: Floats, surprise: float, other_variance: float) -> Knowledge:
        """Return the knowledge after a reading that closed a simulation.

        answer           of the content to each score (P,) [m3/m3]
        surprise         reading less what was expected [m3/m3]
        other_variance   of the reading and of all of the simulation that is not soil, above 0

        Source: the Kalman update for one observation. Checked in tests/properties/test_knowledge.py.
        """
        reach = self.covariance @ answer
        total = float(answer @ reach) + other_variance
        limit = SURPRISE_LIMIT_SD * np.sqrt(total)
        return replace(
            self,
            mean=self.mean + reach * (float(np.clip(surprise, -limit, limit)) / total),
            covariance=self.covariance - np.outer(reach, reach) / total,
            n_taught=self.n_taught + 1,
        )


def nothing_known(n_scores: int) -> Knowledge:
    """Return the state of knowledge before any reading."""
    return Knowledge(mean=np.zeros(n_scores), covariance=np.eye(n_scores))


def whitened(rng: np.random.Generator, n_rows: int, n_members: int) -> Floats:
    """Return draws (rows, M) with mean 0 and standard deviation 1, uncorrelated where there are members enough."""
    draws = rng.standard_normal((n_rows, n_members))
    draws -= draws.mean(axis=1, keepdims=True)
    if n_members > n_rows + 2:
        return np.linalg.solve(np.linalg.cholesky(draws @ draws.T / (n_members - 1)), draws)
    return np.asarray(draws / draws.std(axis=1, ddof=1, keepdims=True))


def answers(theta: Floats, draws: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Return of a strip's contents over the members the mean, the answer to each score, the answered part, the rest.

    theta   (H, M); draws (P, M), whitened
    gives   (H,), (H, P), (H, M), (H, M)
    """
    mean = theta.mean(axis=-1)
    apart = theta - mean[:, None]
    answer = apart @ draws.T / (theta.shape[-1] - 1)
    answered = answer @ draws
    apart -= answered
    return mean, answer, answered, apart
