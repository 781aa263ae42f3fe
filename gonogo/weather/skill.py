"""How wrong a service has been at this site: its stored forecasts against the site's own gauge."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from gonogo.records import GaugeRain
from gonogo.weather.gauge import covered_share
from gonogo.weather.past import EarlierForecast

# All figures here are choices of ours, no source.
MIN_PAIRS = 5  # with fewer pairs nothing is learned
PRIOR_PAIRS = 10  # the spread that is assumed without any gauge weighs as much as so many pairs
MAX_LEAD = timedelta(hours=36)  # a forecast that came longer before the reading says little of this morning's
MAX_READING = timedelta(hours=72)  # a total over more days hides what was wrong in it
USUAL_VARIATION = 0.6  # spread of a total that the members have without learning, as a share of it ...
LEAST_SPREAD_MM = 1.0  # ... and at least: showers that were not forecast
LEAST_FACTOR, GREATEST_FACTOR = 0.75, 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """One gauge reading and what a forecast had said of its time before it began [mm]."""

    forecast_mm: float
    caught_mm: float


def pairs(
    earlier: Sequence[EarlierForecast], gauge: Sequence[GaugeRain], *, service: str, now_utc: datetime
) -> tuple[Pair, ...]:
    """Return a pair for every gauge reading that a forecast of the service, made before it, holds whole.

    Of several forecasts the last before the reading counts; of several readings of the same time the last entered.
    """
    of_service = sorted((one for one in earlier if one.parsed.service == service), key=lambda one: one.fetched_utc)
    found = []
    for reading in {(r.from_utc, r.until_utc): r for r in gauge}.values():
        length = reading.until_utc - reading.from_utc
        if not timedelta(0) < length <= MAX_READING or reading.until_utc > now_utc or not reading.rain_mm >= 0.0:
            continue
        before = [one for one in of_service if timedelta(0) <= reading.from_utc - one.fetched_utc <= MAX_LEAD]
        if not before:
            continue
        rain = before[-1].parsed.table[["hour_utc", "precip_mm"]].dropna().drop_duplicates("hour_utc")
        rain = rain.sort_values("hour_utc")
        if not len(rain):
            continue
        hours = rain["hour_utc"].to_numpy().astype("datetime64[h]")
        share = covered_share(hours, reading.from_utc, reading.until_utc)
        if share.sum() < length / timedelta(hours=1) - 1e-6:
            continue
        forecast_mm = float(share @ rain["precip_mm"].to_numpy(dtype=np.float64))
        found.append(Pair(forecast_mm=forecast_mm, caught_mm=reading.rain_mm))
    return tuple(found)


def spread_factor(found: Sequence[Pair]) -> float:
    """Return by what the spread of the rain is multiplied at this site [-], 1 where too little is known.

    The mean square of forecast less gauge over the mean square of the usual spread, shrunk towards 1 by PRIOR_PAIRS
    pairs that fit it; its root, between LEAST_FACTOR and GREATEST_FACTOR. Below MIN_PAIRS pairs: 1.
    Source: our own choice (shrinkage of a variance towards a prior one). Checked in tests/weather/test_skill.py.
    """
    n = len(found)
    if n < MIN_PAIRS:
        return 1.0
    missed = sum((pair.caught_mm - pair.forecast_mm) ** 2 for pair in found)
    usual = sum((USUAL_VARIATION * pair.forecast_mm) ** 2 + LEAST_SPREAD_MM**2 for pair in found)
    factor = math.sqrt((PRIOR_PAIRS + n * missed / usual) / (PRIOR_PAIRS + n))
    return min(max(factor, LEAST_FACTOR), GREATEST_FACTOR)
