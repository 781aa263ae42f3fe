"""Whether a lift gains water that neither rain nor truck explains: ground water, a spring, a leak, standing water.

What was measured from test to test is held against the plain soil of its class in the same weather, which has learned
nothing: a model that had learned from the same tests would have explained it away as soil that dries slowly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gonogo.soil.balance import simulate
from gonogo.soil.layers import SoilState
from gonogo.soil.readings import UNEXPLAINED, ReadingAt
from gonogo.soil.sky import Sky
from gonogo.soil.strip import LEARNABLE, StripSoil, params_from_scores

Floats = npt.NDArray[np.float64]

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


def gains(
    strips: StripSoil,
    tests: Sequence[SoilTest],
    *,
    et0_mm: Floats,
    kc_max: Floats,
    rain_mm: Floats,
    frozen: npt.NDArray[np.bool_],
    watering_mm: Floats,
    surface: npt.NDArray[np.int64],
) -> tuple[Gain, ...]:
    """Return the strips that hold more water than they should, in their order.

    tests     of the present lift of each strip, in any order; et0_mm, rain_mm (H,) as expected; the rest as in simulate

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
    first: dict[int, SoilTest] = {}
    from_pct: dict[int, float] = {}
    change: dict[int, float] = {}
    found: dict[int, list[tuple[float, float]]] = {s: [] for s in many}
    now = asked[0].hour
    for test in asked:
        if test.hour > now:
            span = slice(now, test.hour)
            path = simulate(
                SoilState(top_mm=top, base_mm=base),
                params,
                et0_mm=et0_mm[span],
                rain_mm=rain_mm[span, None],
                watering_mm=watering_mm[span],
                surface=surface[span],
                surface_before=surface[now - 1] if now else None,
                frozen=frozen[span],
                kc_max=kc_max[span],
                keep_path=False,
            )
            top, base, now = path.top_mm[-1].copy(), path.base_mm[-1].copy(), test.hour
        s = test.strip
        held_mm = float(top[s, 0] + base[s, 0])
        if s in first:
            change[s] += held_mm / mm_per_pct[s] - from_pct[s]
            error = np.hypot(np.hypot(first[s].sd_pct, test.sd_pct), CHANGE_SPREAD * change[s])
            found[s].append((test.w_pct - first[s].w_pct - change[s], float(error)))
        else:
            first[s], change[s] = test, 0.0
        # The next stretch starts from what was measured, its layers as far apart as they were.
        stretch = test.w_pct * mm_per_pct[s] / max(held_mm, 1e-6)
        top[s], base[s], from_pct[s] = top[s] * stretch, base[s] * stretch, test.w_pct
    return tuple(
        Gain(strip=s, since_hour=first[s].hour, gain_pct=found[s][-1][0], expected_change_pct=change[s])
        for s in many
        if _is_steady(found[s])
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
    found = gains(
        strips,
        tests,
        et0_mm=sky.et0_mm if sky.et0_mm.ndim == 1 else sky.et0_mm.mean(axis=-1),
        kc_max=sky.kc_max,
        rain_mm=sky.rain_mm.mean(axis=-1),
        frozen=sky.frozen,
        watering_mm=sky.watering_mm[:, columns],
        surface=sky.surface[:, columns],
    )
    for gain in found:
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
