"""The moisture path that a picture is drawn from: mean and band of each strip by hour, and the rain above them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gonogo import times
from gonogo.decide.inputs import MorningInputs, on_hours

Floats = npt.NDArray[np.float64]

HOURS_BEFORE = 12  # of the past are shown, so that the eye sees where the path comes from
LOW_PCT, HIGH_PCT = 10.0, 90.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnPath:
    """The moisture of one strip. (H,) each, at the start of the hour; w in per cent of dry mass, NaN = unknown."""

    hour_utc: npt.NDArray[np.datetime64]
    w_p10_pct: Floats
    w_mean_pct: Floats
    w_p90_pct: Floats
    rain_mm: Floats


def moisture_paths(inputs: MorningInputs, strip_ids: Sequence[str]) -> dict[str, DrawnPath]:
    """Return mean and 10 to 90 % band of the named strips, from HOURS_BEFORE before now to the end of the forecast.

    A name that is no strip of the site is left out.
    """
    start = times.as_hour(inputs.now_utc) - np.timedelta64(HOURS_BEFORE, "h")
    rows = np.flatnonzero(inputs.hour_utc >= start)
    place = {strip.id: s for s, strip in enumerate(inputs.strips)}
    rain_mm = on_hours(inputs, inputs.weather.rain_mm)[rows]
    paths = {}
    for strip_id in strip_ids:
        if strip_id not in place or not len(rows):
            continue
        members = inputs.w_pct[rows, place[strip_id]]
        # The same from sorted members, in half the time.
        low, high = np.percentile(np.sort(members, axis=1), (LOW_PCT, HIGH_PCT), axis=1, overwrite_input=True)
        paths[strip_id] = DrawnPath(
            hour_utc=inputs.hour_utc[rows],
            w_p10_pct=low,
            w_mean_pct=members.mean(axis=1),
            w_p90_pct=high,
            rain_mm=rain_mm,
        )
    return paths


class PathsOnce:
    """The moisture paths of a run's strips, each found when it is first asked for: several mails show the same one.

    inputs   None where there is no path to show
    """

    def __init__(self, inputs: MorningInputs | None) -> None:
        self._inputs = inputs
        self._known: dict[str, DrawnPath] = {}

    def of(self, strip_ids: Collection[str]) -> dict[str, DrawnPath]:
        """Return the paths of some strips, in the order of their ids."""
        new = sorted(set(strip_ids) - set(self._known))
        if self._inputs is not None and new:
            self._known |= moisture_paths(self._inputs, new)
        return {strip_id: self._known[strip_id] for strip_id in sorted(strip_ids) if strip_id in self._known}
