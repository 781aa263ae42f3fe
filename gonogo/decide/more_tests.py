"""What further tests would be worth: how many gauge tests that agree with what is expected would release a strip."""

from __future__ import annotations

import math

import numpy as np

from gonogo.decide.measures import Known
from gonogo.decide.windows import rows
from gonogo.soil.readings import GAUGE_ERROR_PCT

MOST_TESTS = 3  # more than this is another kind of answer: mix the lift, or widen the window


def _chances(known: Known, s: int) -> tuple[float, ...]:
    """Return the chance in the window with 1, 2, ... further tests whose mean is the expected content; () if unknown.

    The members are drawn together about their mean as a normal error and n independent tests leave it.
    """
    prepared, inputs = known.prepared, known.prepared.inputs
    chosen = prepared.best[s]
    if chosen is None or math.isnan(chosen.end_h):
        return ()
    part, weather = rows(prepared.cond, chosen.start_h, chosen.end_h), prepared.cond
    sealed = rows(prepared.cond, chosen.start_h, chosen.end_h + prepared.seal_h)
    if part is None or sealed is None:
        return ()
    path = inputs.w_pct[part.start : part.stop + 1, s] - inputs.material(inputs.strips[s]).omc_pct
    drained = weather.is_drained[part.start : part.stop + 1, s]
    if np.any(np.isnan(path)) or np.any(np.isnan(drained)):
        return ()
    holds = drained.min(axis=0) * weather.is_rainless[sealed, s].min(axis=0)
    held = float(weather.is_unfrozen[sealed, s].min() * weather.is_calm[sealed].min())
    material = inputs.material(inputs.strips[s])
    mean = path.mean(axis=1, keepdims=True)
    variance = float(np.var(path[0]))
    found = []
    for n in range(1, MOST_TESTS + 1):
        left = math.sqrt(1.0 / (1.0 + n * variance / GAUGE_ERROR_PCT**2))
        drawn = mean + left * (path - mean)
        inside = ((drawn >= material.window_low_pct) & (drawn <= material.window_high_pct)).all(axis=0)
        found.append(float(np.mean(inside * holds)) * held)
    return tuple(found)


def tests_to_settle(known: Known, s: int) -> float:
    """Return how many further tests bring the chance to what is needed, 0 where MOST_TESTS do not."""
    needed = known.prepared.chance_needed
    return float(next((n for n, chance in enumerate(_chances(known, s), 1) if chance >= needed), 0))


def chance_after_tests(known: Known, s: int) -> float:
    """Return the chance in the window after tests_to_settle tests, 0 where there are none to ask for."""
    n = int(tests_to_settle(known, s))
    return _chances(known, s)[n - 1] if n else 0.0
