"""How wrong a service has been at this site: its stored forecasts against the site's own gauge.

The spread learns from wet half-days of the gauge against the last forecast before them: at least 5 pairs, shrunk
towards 1 by 10, between 0.75 and 2.5.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from gonogo.records.field import GaugeRain
from gonogo.weather.gauge import covered_share
from gonogo.weather.table import ReceivedForecast

# All figures here are choices of ours, no source.
MIN_PAIRS = 5  # with fewer pairs nothing is learned
PRIOR_PAIRS = 10  # the spread that is assumed without any gauge weighs as much as so many pairs
MAX_LEAD = timedelta(hours=36)  # a forecast that came longer before the reading says little of this morning's
LEAST_SPAN, GREATEST_SPAN = timedelta(hours=6), timedelta(hours=72)  # of a pair: an hour is chance, a week hides errors
WHOLE_SPAN = timedelta(hours=12)  # readings that follow each other are brought together to at least this
JOINED = timedelta(minutes=10)  # two readings with no more between them follow each other
WET_MM = 0.2  # where neither forecast nor gauge reached one tip of the usual gauge there is nothing to learn
USUAL_VARIATION = 0.6  # spread of a total that the members have without learning, as a share of it ...
LEAST_SPREAD_MM = 1.0  # ... and at least: showers that were not forecast
LEAST_FACTOR, GREATEST_FACTOR = 0.75, 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """What the gauge caught in a span of time and what a forecast had said of it before it began [mm]."""

    forecast_mm: float
    caught_mm: float


def pairs(
    earlier: Sequence[ReceivedForecast], gauge: Sequence[GaugeRain], *, service: str, now_utc: datetime
) -> tuple[Pair, ...]:
    """Return a pair for every span of the gauge that a forecast of the service, made before it, holds whole.

    Readings that follow each other are brought together to 12 h or more. Of several forecasts the last before the span
    counts; of several readings of the same time the last entered. Spans dry in both are left out.
    """
    of_service = sorted((f for f in earlier if f.parsed.service == service), key=lambda f: f.fetched_utc)
    if not of_service:
        return ()
    found = []
    for span in _spans(gauge, now_utc):
        before = [f for f in of_service if timedelta(0) <= span.from_utc - f.fetched_utc <= MAX_LEAD]
        forecast_mm = _forecast_mm(before[-1], span) if before else None
        if forecast_mm is not None and max(forecast_mm, span.rain_mm) >= WET_MM:
            found.append(Pair(forecast_mm=forecast_mm, caught_mm=span.rain_mm))
    return tuple(found)


def _spans(gauge: Sequence[GaugeRain], now_utc: datetime) -> list[GaugeRain]:
    """Return the gauge's readings in the order of time, short ones that follow each other brought together."""
    last_entered = {(r.from_utc, r.until_utc): r for r in gauge}.values()
    usable = [r for r in last_entered if r.from_utc < r.until_utc <= now_utc and r.rain_mm >= 0.0]
    spans: list[GaugeRain] = []
    for reading in sorted(usable, key=lambda r: r.from_utc):
        previous = spans[-1] if spans else None
        if (
            previous is not None
            and previous.until_utc - previous.from_utc < WHOLE_SPAN
            and timedelta(0) <= reading.from_utc - previous.until_utc <= JOINED
        ):
            total_mm = previous.rain_mm + reading.rain_mm
            spans[-1] = GaugeRain(from_utc=previous.from_utc, until_utc=reading.until_utc, rain_mm=total_mm)
        else:
            spans.append(reading)
    return [span for span in spans if LEAST_SPAN <= span.until_utc - span.from_utc <= GREATEST_SPAN]


def _forecast_mm(forecast: ReceivedForecast, span: GaugeRain) -> float | None:
    """Return what a forecast said of a span [mm], None where it does not hold all of it."""
    rain = forecast.parsed.table[["hour_utc", "precip_mm"]].dropna().drop_duplicates("hour_utc").sort_values("hour_utc")
    if not len(rain):
        return None
    share = covered_share(rain["hour_utc"].to_numpy().astype("datetime64[h]"), span.from_utc, span.until_utc)
    if share.sum() < (span.until_utc - span.from_utc) / timedelta(hours=1) - 1e-6:
        return None
    return float(share @ rain["precip_mm"].to_numpy(dtype=np.float64))


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
