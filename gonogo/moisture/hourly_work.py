"""What was recorded of strips, on the hours of a run: water, surface, turning over, and when a lift became loose."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np
import numpy.typing as npt

from gonogo import times
from gonogo.moisture.lift_history import SURFACE_AFTER, LiftHistory
from gonogo.records.site import Strip
from gonogo.soil import ground
from gonogo.soil.rain import SURFACE_INDEX

LOOSENS = ("spread", "disked", "mixed")  # a lift of which this is recorded lies loose and bare on what was there before
TURNS_OVER = ("disked", "mixed")  # every time: what has dried on top is mixed with what has not


def hour_index(at_utc: datetime, hour_utc: npt.NDArray[np.datetime64], *, nearest: bool = True) -> int:
    """Return the index of the hour start nearest to a moment, or of the hour that holds it; may lie off the axis."""
    hours = (times.as_datetime(hour_utc[0]) - at_utc) / times.HOUR
    return round(-hours) if nearest else int(np.floor(-hours))


def watering_mm(
    strips: Sequence[Strip], histories: Sequence[LiftHistory], hour_utc: npt.NDArray[np.datetime64]
) -> npt.NDArray[np.float64]:
    """Water put on each strip in each hour [mm], (H, S)."""
    put_on = np.zeros((len(hour_utc), len(strips)))
    for i, (strip, history) in enumerate(zip(strips, histories, strict=True)):
        for watering in history.waterings:
            hour = hour_index(watering.at_utc, hour_utc, nearest=False)
            if 0 <= hour < len(hour_utc):
                put_on[hour, i] += watering.litres / strip.area_m2
    return put_on


def surface_states(
    strips: Sequence[Strip], histories: Sequence[LiftHistory], hour_utc: npt.NDArray[np.datetime64]
) -> npt.NDArray[np.int64]:
    """Surface state of each strip in each hour as an index into rain.SURFACES, (H, S)."""
    states = np.empty((len(hour_utc), len(strips)), dtype=np.int64)
    for i, (strip, history) in enumerate(zip(strips, histories, strict=True)):
        states[:, i] = SURFACE_INDEX[strip.surface]
        for work in history.works:
            hour = hour_index(work.at_utc, hour_utc, nearest=False)
            states[max(hour, 0) :, i] = SURFACE_INDEX[SURFACE_AFTER[work.work]]
    return states


def turned_over(histories: Sequence[LiftHistory], hour_utc: npt.NDArray[np.datetime64]) -> npt.NDArray[np.bool_]:
    """Hours at whose start the lift of each strip is turned over, (H, S)."""
    turned = np.zeros((len(hour_utc), len(histories)), dtype=np.bool_)
    for i, history in enumerate(histories):
        hours = [hour_index(work.at_utc, hour_utc, nearest=False) for work in history.works if work.work in TURNS_OVER]
        turned[[hour for hour in hours if 0 <= hour < len(hour_utc)], i] = True
    return turned


def loosened_at(history: LiftHistory, hour_utc: npt.NDArray[np.datetime64]) -> int:
    """Hour in which a lift was first spread, disked or mixed; what happens later cannot tell of the hours before."""
    hours = [hour_index(work.at_utc, hour_utc, nearest=False) for work in history.works if work.work in LOOSENS]
    return max(min(hours), 0) if hours else ground.NEVER_H
