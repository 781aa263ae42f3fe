"""How right the mails were: forecasts beside what tests, gauge and deliveries said later. Pure arithmetic on pairs.

Nothing is computed again: what is scored is what was stored with each morning and told on it. A pair counts only where
weather alone was at work between the morning and the test. Below LEAST_PAIRS no figure is given.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise

import numpy as np

LEAST_PAIRS = 10
LEADS = (0, 1, 2, 3, 5, 7, 10)
CHANCE_EDGES = (0.0, 0.2, 0.4, 0.6, 0.8, 0.9, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class TestPair:
    """A test beside what a morning had foreseen of it.

    lead_days     from the morning to the test; 0 = the morning of the day itself
    foreseen_pct, low_pct, high_pct   mean and 10 to 90 % band of the forecast
    last_pct      the last test of the lift before that morning, NaN where there was none
    measured_pct  what the test found
    chance        of lying inside the window, as it was told; is_inside: whether the test did
    """

    __test__ = False  # the name begins as pytest's classes do

    day: date
    lead_days: int
    foreseen_pct: float
    low_pct: float
    high_pct: float
    last_pct: float
    measured_pct: float
    chance: float
    is_inside: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RainPair:
    """Rain of a whole date as a morning foresaw it, and as the site's gauge caught it [mm]."""

    lead_days: int
    foreseen_mm: float
    chance: float
    gauge_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictTested:
    """A verdict that a test of the same day confirmed or refuted. litres_right: from that test, NaN where no water."""

    day: date
    strip_id: str
    verdict: str
    is_confirmed: bool
    litres_told: float = math.nan
    litres_right: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """All that is scored. n_mails_on_time: sent before the shift began, of n_mails put for mornings."""

    tests: tuple[TestPair, ...]
    rain: tuple[RainPair, ...]
    verdicts: tuple[VerdictTested, ...]
    n_mails: int
    n_mails_on_time: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LeadScore:
    """Errors at one lead [points of water content], NaN below LEAST_PAIRS.

    rmse_pct         root mean square error of the forecast
    as_tested_pct    the same of "as last tested", over the same pairs
    band_share       share of the tests inside the 10 to 90 % band; a test has an error of its own, so less than 80 %
                     is no fault of the band alone
    """

    lead_days: int
    n: int
    rmse_pct: float
    as_tested_pct: float
    band_share: float

    @property
    def is_worse(self) -> bool:
        return self.rmse_pct > self.as_tested_pct


@dataclass(frozen=True, slots=True, kw_only=True)
class ChanceScore:
    """Chances told between two edges, beside the share that came true; NaN below LEAST_PAIRS."""

    low: float
    high: float
    n: int
    told: float
    came_true: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RainScore:
    """Rain at one lead, NaN below LEAST_PAIRS: mean error, mean absolute error [mm], dry days called right."""

    lead_days: int
    n: int
    bias_mm: float
    mean_absolute_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """What `gonogo score` prints. litres_told, litres_right: sums over the doses that a test of that morning judged."""

    leads: tuple[LeadScore, ...]
    chances: tuple[ChanceScore, ...]
    rain: tuple[RainScore, ...]
    confirmed: dict[str, tuple[int, int]]  # by verdict: confirmed, refuted
    n_doses: int
    litres_told: float
    litres_right: float
    n_mails: int
    n_mails_on_time: int

    @property
    def is_worse_than_last_test(self) -> bool:
        """Whether "as last tested" was the better forecast at most leads that have a figure."""
        judged = [lead for lead in self.leads if not math.isnan(lead.rmse_pct)]
        return bool(judged) and sum(lead.is_worse for lead in judged) * 2 > len(judged)


def scored(evidence: Evidence) -> Score:
    """Return the figures of some evidence."""
    doses = [v for v in evidence.verdicts if not math.isnan(v.litres_told) and not math.isnan(v.litres_right)]
    return Score(
        leads=tuple(_lead(lead, evidence.tests) for lead in LEADS),
        chances=tuple(_chance(low, high, evidence.tests) for low, high in pairwise(CHANCE_EDGES)),
        rain=tuple(_rain(lead, evidence.rain) for lead in LEADS),
        confirmed=_confirmed(evidence.verdicts),
        n_doses=len(doses),
        litres_told=math.fsum(v.litres_told for v in doses),
        litres_right=math.fsum(v.litres_right for v in doses),
        n_mails=evidence.n_mails,
        n_mails_on_time=evidence.n_mails_on_time,
    )


def _lead(lead: int, tests: Sequence[TestPair]) -> LeadScore:
    own = [pair for pair in tests if pair.lead_days == lead and not math.isnan(pair.last_pct)]
    if len(own) < LEAST_PAIRS:
        return LeadScore(lead_days=lead, n=len(own), rmse_pct=math.nan, as_tested_pct=math.nan, band_share=math.nan)
    return LeadScore(
        lead_days=lead,
        n=len(own),
        rmse_pct=_rms(pair.foreseen_pct - pair.measured_pct for pair in own),
        as_tested_pct=_rms(pair.last_pct - pair.measured_pct for pair in own),
        band_share=float(np.mean([pair.low_pct <= pair.measured_pct <= pair.high_pct for pair in own])),
    )


def _rms(errors: Iterable[float]) -> float:
    return math.sqrt(float(np.mean(np.square(list(errors)))))


def _chance(low: float, high: float, tests: Sequence[TestPair]) -> ChanceScore:
    own = [p for p in tests if low <= p.chance and (p.chance < high or high == CHANCE_EDGES[-1])]
    enough = len(own) >= LEAST_PAIRS
    return ChanceScore(
        low=low,
        high=high,
        n=len(own),
        told=float(np.mean([pair.chance for pair in own])) if enough else math.nan,
        came_true=float(np.mean([pair.is_inside for pair in own])) if enough else math.nan,
    )


def _rain(lead: int, pairs: Sequence[RainPair]) -> RainScore:
    errors = [pair.foreseen_mm - pair.gauge_mm for pair in pairs if pair.lead_days == lead]
    enough = len(errors) >= LEAST_PAIRS
    return RainScore(
        lead_days=lead,
        n=len(errors),
        bias_mm=float(np.mean(errors)) if enough else math.nan,
        mean_absolute_mm=float(np.mean(np.abs(errors))) if enough else math.nan,
    )


def _confirmed(verdicts: Sequence[VerdictTested]) -> dict[str, tuple[int, int]]:
    counts: dict[str, tuple[int, int]] = {}
    for tested in verdicts:
        right, wrong = counts.get(tested.verdict, (0, 0))
        counts[tested.verdict] = (right + tested.is_confirmed, wrong + (not tested.is_confirmed))
    return counts
