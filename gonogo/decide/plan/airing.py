"""A lift whose test finds it inside at the wet edge: disked once and left to the air, it is rolled without another."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime

import numpy as np

from gonogo.decide.dry_back import ready_from
from gonogo.decide.order.today import TEST_H, weather_chances
from gonogo.decide.plan.basis import Basis
from gonogo.decide.windows import epoch_h, moment
from gonogo.soil.bare_soil import KC_MAX_WET_SOMETIMES
from gonogo.soil.rain import OPEN_SHARE

LEAST_PCT = 0.2  # of a result, from which it is worth a line of its own: our own choice


def aired(
    basis: Basis, s: int, disk_utc: Sequence[datetime], high_pct: float, wet_pct: float, mass_kg_m2: float
) -> tuple[float, datetime | None]:
    """Return up to which result above its limit a lift is disked, aired and rolled today, and from when.

    disk_utc    when it is disked; only the first disking counts
    high_pct    highest result that releases the lift; wet_pct: the wet edge
    mass_kg_m2  dry mass of the lift

    By then it has given off what its result lay above the limit, and is as surely inside as one that its test released:
    from the earliest hour at which that holds up to the wet edge, else for as much as it dries until the last hour that
    leaves time to roll it; from the test on it stays dry as surely as the site asks. It is taken to dry no faster
    than loose soil under a dry top, though the disking turned moist soil up: what it dries more is to the good. NaN and
    None where that is too little.
    """
    if not disk_utc or not wet_pct >= high_pct:
        return math.nan, None
    prepared, first_h = basis.prepared, epoch_h(ready_from(disk_utc[0]))
    needed_h = prepared.rolling_h[s] + prepared.seal_h
    last_h = prepared.today.until_h - needed_h
    if not math.isfinite(last_h) or first_h > last_h:
        return math.nan, None
    starts = np.arange(first_h, last_h + 1e-6, TEST_H)
    rate, disked_h = OPEN_SHARE * KC_MAX_WET_SOMETIMES, epoch_h(disk_utc[0])
    # Rain after the test would wet what no test looks at again: it must stay dry from the day's first hour of work on.
    tested_h = prepared.today.from_h
    holds = weather_chances(prepared, s, np.full(len(starts), tested_h), starts + needed_h - tested_h)
    starts = starts[holds >= prepared.chance_needed]
    reaches_pct = [
        min(high_pct + 100.0 * rate * float(prepared.evaporated.between(disked_h, at_h)) / mass_kg_m2, wet_pct)
        for at_h in starts.tolist()
    ]
    most_pct = max(reaches_pct, default=math.nan)
    if not most_pct - high_pct >= min(LEAST_PCT, wet_pct - high_pct):
        return math.nan, None
    return math.floor(10.0 * most_pct + 1e-6) / 10.0, moment(float(starts[reaches_pct.index(most_pct)]))
