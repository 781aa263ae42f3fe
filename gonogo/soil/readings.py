"""Moisture tests as the model sees them: their errors, and what does not fit."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Number = float | Floats

# Standard deviation of one test against the true water content of the same soil [% points]. From memory: about
# 2.7 % of the value for the oven (ASTM D2216), 0.3 to 0.5 points for a gauge (D6938) and more between gauges,
# 0.5 to 1 for the microwave (D4643), 1 for carbide (D4944); the hand: common practice, no source.
METHOD_ERROR_PCT: dict[str, float] = {
    "oven": 0.4,
    "nuclear gauge": 0.6,
    "microwave": 0.7,
    "carbide": 1.0,
    "hand feel": 2.0,
}
# A probe that stays where it is, whose own readings are to be foreseen: the backtest's, no test of a crew.
PROBE, PROBE_ERROR_PCT = "probe", 0.1
# One test stands for one spot; the mean of the strip lies elsewhere by about this much: common practice, no source.
SPOT_SCATTER_PCT = 0.6
# So a gauge test lies so far from the mean of the strip.
GAUGE_ERROR_PCT = float(np.hypot(METHOD_ERROR_PCT["nuclear gauge"], SPOT_SCATTER_PCT))
# How wet a borrow is says less of a lift than a test of it: it differs from place to place. Common practice, no source.
BORROW_ERROR_PCT = 1.5
IMPOSSIBLE = "reading_impossible"
FAR = "reading_far"
CONFIRMED = "reading_confirmed"
UNEXPLAINED = "water_unexplained"
GATE_SD = 3.0  # a reading farther from what was expected than this many standard deviations is doubted
BELIEF = 0.5  # how likely a doubted test is right all the same: our own choice, it widens the members to hold both


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingAt:
    """A moisture test placed on the model's axes.

    strip   index of the strip
    hour    index of the hour at whose start it counts, 0 to H
    w_pct   water content of the lift [% of dry mass]
    sd_pct  error of the method [% points], a value of METHOD_ERROR_PCT
    spot_sd_pct  how far the spot may lie from the mean of the strip [% points]; 0 where the spot is what is asked about
    depth_mm  it is of the upper so many millimetres of the lift; from the lift's thickness on, of the whole
    """

    strip: int
    hour: int
    w_pct: float
    sd_pct: float
    spot_sd_pct: float = SPOT_SCATTER_PCT
    depth_mm: float = np.inf

    @property
    def error_pct(self) -> float:
        """Standard deviation of the test against the mean of the strip [% points]."""
        return float(np.hypot(self.sd_pct, self.spot_sd_pct))


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """The readings of one strip at one hour as one: their mean by weight, its error, and which they were.

    parts   the readings themselves, of the depths that they were taken to
    """

    strip: int
    hour: int
    w_pct: float
    error_pct: float
    indices: tuple[int, ...]
    parts: tuple[ReadingAt, ...] = ()

    def of_lift(self, above_part_pct: Callable[[float], tuple[float, float]]) -> Together:
        """Return the readings as of the whole lift.

        above_part_pct   by the depth of a reading, how much more the lift holds than its upper part, and the standard
                         deviation of that [% points]
        """
        if all(np.isinf(part.depth_mm) for part in self.parts):
            return self
        moved = []
        for part in self.parts:
            more, sd = above_part_pct(part.depth_mm)
            moved.append(replace(part, w_pct=part.w_pct + more, sd_pct=float(np.hypot(part.sd_pct, sd))))
        mean, error = _weighted(moved)
        return replace(self, w_pct=mean, error_pct=error)


def upper_part(top: Floats, base: Floats, top_mm: Number, depth_mm: float) -> Floats:
    """Return the content of the upper depth_mm of a lift from that of its layers, in their unit."""
    in_top = np.minimum(depth_mm, top_mm)
    return np.asarray((in_top * top + (depth_mm - in_top) * base) / depth_mm)


def _weighted(readings: Sequence[ReadingAt]) -> tuple[float, float]:
    """Return the mean of readings by weight and its standard deviation [%], [% points]."""
    weight = np.array([1.0 / r.error_pct**2 for r in readings])
    mean = float((weight * [r.w_pct for r in readings]).sum() / weight.sum())
    return mean, float(1.0 / np.sqrt(weight.sum()))


def together(readings: Sequence[tuple[int, ReadingAt]]) -> list[Together]:
    """Return the readings of each strip and hour as one, in order of hour and strip."""
    by_place: dict[tuple[int, int], list[tuple[int, ReadingAt]]] = {}
    for i, r in readings:
        by_place.setdefault((r.hour, r.strip), []).append((i, r))
    out = []
    for (hour, strip), own in sorted(by_place.items()):
        parts = tuple(r for _, r in own)
        mean, error = _weighted(parts)
        out.append(
            Together(
                strip=strip,
                hour=hour,
                w_pct=mean,
                error_pct=error,
                indices=tuple(i for i, _ in own),
                parts=parts,
            )
        )
    return out


def moved(reading: ReadingAt, strip: int) -> ReadingAt:
    """Return a reading on another strip axis."""
    return replace(reading, strip=strip)


@dataclass(frozen=True, slots=True, kw_only=True)
class AfterReading:
    """What a reading does to the content of the lift: mean and variance after it [m3/m3], [(m3/m3)^2], and its note."""

    mean: float
    variance: float
    note: str | None


def weighed(*, theta: float, error: float, expected: float, variance: float, side_before: float) -> AfterReading:
    """Return what becomes of an expected content when a reading comes.

    theta, error   reading and its standard deviation [m3/m3]; expected, variance of the content without it
    side_before    on which side (1, -1) the reading before it was doubted, 0 where it was not

    Within GATE_SD of spread and error together it pulls by its weight. Farther off it is doubted: mean and variance are
    those of a mixture in which the test is right with a chance of BELIEF. A second one on the same side is believed,
    whenever it comes. Source: the Kalman update for one observation; the mixture is our own.
    Checked in tests/properties/test_knowledge.py.
    """
    apart, total = theta - expected, variance + error**2
    weight = variance / total
    right = (expected + weight * apart, variance * error**2 / total)
    if abs(apart) <= GATE_SD * np.sqrt(total):
        return AfterReading(mean=right[0], variance=right[1], note=None)
    if side_before == np.sign(apart):
        return AfterReading(mean=theta, variance=error**2, note=CONFIRMED)
    mean = BELIEF * theta + (1.0 - BELIEF) * expected
    within = BELIEF * error**2 + (1.0 - BELIEF) * variance
    return AfterReading(mean=mean, variance=within + BELIEF * (1.0 - BELIEF) * apart**2, note=FAR)
