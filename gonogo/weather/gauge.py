"""The site's own rain gauge overrides what a service says of past rain."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np
import numpy.typing as npt

from gonogo.records.field import GaugeRain
from gonogo.records.ranges import greatest_rain_mm
from gonogo.times import as_datetime
from gonogo.weather.notes import Note, note

Floats = npt.NDArray[np.float64]

LEAST_PATTERN_MM = 1e-6  # less of the service's rain is rounding, no pattern
SECONDS_PER_HOUR = 3600.0


def covered_share(hour_utc: npt.NDArray[np.datetime64], from_utc: datetime, until_utc: datetime) -> Floats:
    """Return the share of each hour that lies between two moments, (H,), 0 to 1."""
    # Counted from the first hour: seconds since 1970 leave too few digits for parts of a second.
    origin_utc = as_datetime(hour_utc[0])
    start_s = (hour_utc - hour_utc[0]).astype("timedelta64[s]").astype(np.float64)
    begin_s = np.maximum(start_s, (from_utc - origin_utc).total_seconds())
    end_s = np.minimum(start_s + SECONDS_PER_HOUR, (until_utc - origin_utc).total_seconds())
    return np.asarray(np.clip((end_s - begin_s) / SECONDS_PER_HOUR, 0.0, 1.0), dtype=np.float64)


def override(
    hour_utc: npt.NDArray[np.datetime64],
    rain_mm: Floats,
    gauge: Sequence[GaugeRain],
    *,
    now_utc: datetime,
) -> tuple[Floats, Floats, list[Note]]:
    """Return (rain_mm, gauged_share, notes) with the gauge's totals in place of the service's past rain.

    hour_utc       (H,)  hour starts
    rain_mm        (H,)  the service's rain [mm]
    gauge          totals between two moments, in the order in which they were entered; a later one corrects an
                   earlier one where they overlap
    gauged_share   (H,)  share of the hour that the gauge vouches for, 0 to 1

    A total is spread over its time in proportion to the service's rain there, evenly where the service saw none, so
    that the sum over its time is what the gauge caught. A reading that is not whole in the past, is empty of time or
    is more rain than can fall is left out and named in the notes. A reading that begins before the table has its share
    inside the table judged by time alone.
    """
    rain, gauged, notes = rain_mm.copy(), np.zeros(len(hour_utc)), []
    n_used = 0
    for reading in gauge:
        length_h = (reading.until_utc - reading.from_utc).total_seconds() / SECONDS_PER_HOUR
        is_sound = length_h > 0 and 0.0 <= reading.rain_mm <= greatest_rain_mm(length_h)
        if not is_sound or reading.until_utc > now_utc:
            notes.append(note("gauge_left_out", rain_mm=reading.rain_mm, until_utc=reading.until_utc))
            continue
        share = covered_share(hour_utc, reading.from_utc, reading.until_utc)
        if not share.any():
            continue
        inside_mm = reading.rain_mm * min(1.0, float(share.sum()) / length_h)
        pattern = rain * share
        weight = pattern / pattern.sum() if pattern.sum() > LEAST_PATTERN_MM else share / share.sum()
        rain = rain * (1.0 - share) + inside_mm * weight
        gauged = np.maximum(gauged, share)
        n_used += 1
    if n_used:
        notes.append(note("gauge_used", hours=float(gauged.sum()), n=n_used))
    return rain, gauged, notes
