"""Whether a lift gains water that neither rain nor truck explains: ground water, a spring, a leak, standing water.

What was measured from test to test is held against the plain soil of its class in the same weather, which has learned
nothing: a model that had learned from the same tests would have explained it away as soil that dries slowly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gonogo.soil.balance import simulate
from gonogo.soil.layers import SoilState
from gonogo.soil.readings import UNEXPLAINED, ReadingAt
from gonogo.soil.sky import Sky
from gonogo.soil.strip import LEARNABLE, StripSoil, params_from_scores

TESTS_MIN = 3  # of one lift, before anything is said
GAIN_SD, GAIN_BEFORE_SD = 2.0, 1.0  # of the whole gain, and of the gain up to the test before the last
GAIN_MIN_PCT = 1.0  # less than this is not worth a sentence
JUMP_SHARE_MAX = 0.75  # more of the gain than this between two tests is a jump: a shower or a truck, no ground water
# Share of the change that weather makes by which a soil of unknown habits may differ: as drawn in strip.LEARNABLE.
CHANGE_SPREAD = 0.35


@dataclass(frozen=True, slots=True, kw_only=True)
class SoilTest:
    """One moisture test: strip, hour at whose start it counts, water content and the standard deviation of both [%]."""

    strip: int
    hour: int
    w_pct: float
    sd_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Gain:
    """What a strip gained beyond the expected from its first test to its last [% points], and since which hour."""

    strip: int
    since_hour: int
    gain_pct: float
    expected_change_pct: float


class _Stretch:
    """The lift of one strip from test to test: the first, what weather did since, and what the tests gained."""

    def __init__(self, first: SoilTest) -> None:
        self.first = first
        self.from_pct = first.w_pct
        self.change_pct = 0.0
        self.gains: list[tuple[float, float]] = []

    def close(self, test: SoilTest, held_pct: float) -> None:
        """Take in a test that found the strip where the plain soil, from the test before, would hold held_pct."""
        self.change_pct += held_pct - self.from_pct
        error = np.hypot(np.hypot(self.first.sd_pct, test.sd_pct), CHANGE_SPREAD * self.change_pct)
        self.gains.append((test.w_pct - self.first.w_pct - self.change_pct, float(error)))
        self.from_pct = test.w_pct


def gains(strips: StripSoil, tests: Sequence[SoilTest], sky: Sky) -> tuple[Gain, ...]:
    """Return the strips that hold more water than they should, in their order.

    tests   of the present lift of each strip, in any order
    sky     over these strips, as expected: one member

    A strip counts where three tests or more say so, the last and the one before, beyond what errors of test and soil
    would do, and not by one jump. Source: our own thresholds. Checked in tests/soil/test_unexplained.py.
    """
    many = [s for s in range(strips.omc_pct.size) if sum(t.strip == s for t in tests) >= TESTS_MIN]
    asked = sorted((t for t in tests if t.strip in many), key=lambda t: t.hour)
    if not asked:
        return ()
    params = params_from_scores(strips, np.zeros((len(LEARNABLE), strips.omc_pct.size, 1)), strips.start_theta)
    mm_per_pct = strips.mm_per_pct
    share_top = strips.top_mm / strips.lift_thickness_mm
    top = (strips.omc_pct * mm_per_pct * share_top)[:, None]
    base = (strips.omc_pct * mm_per_pct * (1.0 - share_top))[:, None]
    found: dict[int, _Stretch] = {}
    now = asked[0].hour
    for test in asked:
        if test.hour > now:
            path = simulate(SoilState(top_mm=top, base_mm=base), params, sky.between(now, test.hour), keep_path=False)
            top, base, now = path.top_mm[-1].copy(), path.base_mm[-1].copy(), test.hour
        s = test.strip
        held_mm = float(top[s, 0] + base[s, 0])
        if s in found:
            found[s].close(test, held_mm / mm_per_pct[s])
        else:
            found[s] = _Stretch(test)
        # The next stretch starts from what was measured, its layers as far apart as they were.
        stretch = test.w_pct * mm_per_pct[s] / max(held_mm, 1e-6)
        top[s], base[s] = top[s] * stretch, base[s] * stretch
    return tuple(
        Gain(strip=s, since_hour=of.first.hour, gain_pct=of.gains[-1][0], expected_change_pct=of.change_pct)
        for s, of in sorted(found.items())
        if _is_steady(of.gains)
    )


def flags(
    strips: StripSoil, sky: Sky, columns: Sequence[int], readings: Sequence[tuple[int, ReadingAt]]
) -> list[tuple[int, str, str]]:
    """Return a flag (index, key, text) for the last reading of each strip that holds more water than it should.

    sky        of the whole site; columns its places of the strips
    readings   possible ones, each with its index
    """
    tests = [SoilTest(strip=r.strip, hour=r.hour, w_pct=r.w_pct, sd_pct=r.error_pct) for _, r in readings]
    out = []
    for gain in gains(strips, tests, sky.of_strips(columns).expected()):
        last_hour, last = max((r.hour, i) for i, r in readings if r.strip == gain.strip)
        days = (last_hour - gain.since_hour) / 24.0
        text = (
            f"over {days:.1f} days the tests found {gain.gain_pct:.1f} points more water than rain and truck "
            f"explain (expected change {gain.expected_change_pct:+.1f} points): ground water, a spring, a "
            "leak, standing water, or more than was recorded."
        )
        out.append((last, UNEXPLAINED, text))
    return out


def _is_steady(found: Sequence[tuple[float, float]]) -> bool:
    """Say whether gains since the first test, with their errors, are beyond chance and more than one jump."""
    (before, before_sd), (last, last_sd) = found[-2], found[-1]
    if last < max(GAIN_SD * last_sd, GAIN_MIN_PCT) or before < GAIN_BEFORE_SD * before_sd:
        return False
    steps = np.diff([0.0, *(gain for gain, _ in found)])
    return bool(steps.max() <= JUMP_SHARE_MAX * last)
