"""What today's water adds to a moisture path that was computed without it, for pictures."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from gonogo import times
from gonogo.decide.inputs import Floats
from gonogo.records.day_plan import Job
from gonogo.records.site import Strip


def added_pct(n_hours: int, start_utc: datetime, strip: Strip, water: Job) -> Floats:
    """Return what a watering adds to each hour of a path from start_utc on [% of dry mass]: (n_hours,).

    It rises from the first drop to the last and stays: that a wetter lift also dries a little faster is left out.
    """
    hours = np.arange(n_hours, dtype=np.float64)
    first, last = ((at_utc - start_utc) / times.HOUR for at_utc in (water.start_utc, water.end_utc))
    whole_pct = 100.0 * water.litres / (strip.area_m2 * strip.dry_mass_kg_m2)
    return whole_pct * np.clip((hours - first) / max(last - first, 1e-6), 0.0, 1.0)
