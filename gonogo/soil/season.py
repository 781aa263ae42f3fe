"""What the weather so far says of the ground: how wet fixed buckets would be by now, how dry, warm and thirsty it was.

A season is a running state, taken on hour by hour from the first hour that anybody knows; it can be put down and taken
up again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

BUCKETS_MM = (10.0, 30.0, 100.0)
BUCKET_KC, BUCKET_START = 0.9, 0.7
WET_START_MM = 30.0  # rain and demand counted before the first hour, so that their ratio begins at 1
RECENT_ET_H, RECENT_TEMP_H = 168.0, 360.0  # the past counts by exp(-age / this)
FIRST_DAY_H = 24
NAMES = ("bucket10", "bucket30", "bucket100", "water_mm", "et0_mm", "recent_et_mm_d", "recent_temp_degc")


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """The state (H + 1, NAMES) at the start of each hour of a run of hours, the last row at their end."""

    state: Floats

    def at(self, hour: int) -> Floats:
        """Return the state (NAMES,) at the start of an hour, held within the run."""
        return np.asarray(self.state[min(max(hour, 0), len(self.state) - 1)])


def season(water_mm: Floats, et0_mm: Floats, temp_degc: Floats, before: Floats | None = None) -> Season:
    """Return the season over hours (H,) of water at the ground, reference evapotranspiration and temperature.

    before   the state (NAMES,) at the first hour, None where nothing is known: neither wet nor dry

    Every state is made of hours before it. Source: our own. Checked in tests/soil/test_natural.py.
    """
    n = len(water_mm)
    demand = np.maximum(et0_mm, 0.0)
    sizes = np.array(BUCKETS_MM)
    if before is None:
        head = slice(0, FIRST_DAY_H)
        recent = (24.0 * float(demand[head].mean()), float(temp_degc[head].mean())) if n else (0.0, 0.0)
        before = np.array([*(BUCKET_START * sizes), WET_START_MM, WET_START_MM, *recent])
    out = np.empty((n + 1, len(NAMES)))
    out[0] = before
    out[1:, 3], out[1:, 4] = before[3] + np.cumsum(water_mm), before[4] + np.cumsum(demand)
    first, second, third = (float(b) for b in before[:3])
    small, middle, large = (float(size) for size in BUCKETS_MM)
    left = np.maximum(1.0 - BUCKET_KC * demand[:, None] / sizes, 0.0).tolist()
    et, temp = float(before[5]), float(before[6])
    share_et, share_temp = 1.0 - np.exp(-1.0 / RECENT_ET_H), 1.0 - np.exp(-1.0 / RECENT_TEMP_H)
    hours = zip(water_mm.tolist(), left, (24.0 * demand).tolist(), temp_degc.tolist(), strict=True)
    rows = []
    for water, kept, thirst, warmth in hours:
        first = min(first + water, small) * kept[0]
        second = min(second + water, middle) * kept[1]
        third = min(third + water, large) * kept[2]
        et, temp = et + share_et * (thirst - et), temp + share_temp * (warmth - temp)
        rows.append((first, second, third, et, temp))
    if rows:
        out[1:, [0, 1, 2, 5, 6]] = rows
    return Season(state=out)


def predictors(state: Floats, theta: float, thickness_mm: float, highest: float, lowest: float) -> Floats:
    """Return what is known at a reading in the order of natural.PREDICTORS.

    state            of the season (NAMES,); theta of the layer [m3/m3]
    highest, lowest  reading so far, theta where there was none before [m3/m3]
    """
    wet = state[:3] / np.array(BUCKETS_MM)
    return np.array(
        [
            theta,
            wet[1],
            wet[2],
            wet[0],
            np.log(state[3] / state[4]),
            np.log(state[5] + 0.5),
            state[6],
            np.log(thickness_mm / 150.0),
            max(highest - theta, 0.0),
            max(theta - lowest, 0.0),
        ]
    )
