"""What the last moisture test alone says of a lift, beside what the members make of it together with the weather."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt

from gonogo.moisture.lift_history import LiftHistory
from gonogo.moisture.strips_run import place
from gonogo.records.site import Site, Strip
from gonogo.soil.ensemble import StripMoisture
from gonogo.soil.readings import together, upper_part
from gonogo.soil.strip import top_thickness_mm

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class LastTests:
    """The newest test of each strip (S,), several of one hour taken as one; NaN where there is none on the hours.

    w_pct       what it says of the mean of the lift [%]
    apart_pct   that, less what the members hold in its hour [% points]: by how much it was not believed
    """

    w_pct: Floats
    apart_pct: Floats


def last_tests(
    site: Site, usable: Sequence[LiftHistory], hour_utc: npt.NDArray[np.datetime64], moisture: StripMoisture
) -> LastTests:
    """Return the newest test of each strip among those that count.

    usable   of each strip, what happened to its lift without the tests that were refused
    """
    placed, _ = place(usable, hour_utc)
    newest = {test.strip: test for test in together(list(enumerate(placed)))}
    w_pct = np.full(len(usable), np.nan)
    apart_pct = np.full(len(usable), np.nan)
    for s, read in newest.items():
        test = read.of_lift(partial(_above_part_pct, site.strips[s], moisture, s, read.hour))
        w_pct[s] = test.w_pct
        apart_pct[s] = test.w_pct - float(moisture.w_pct[test.hour, s].mean())
    return LastTests(w_pct=w_pct, apart_pct=apart_pct)


def _above_part_pct(strip: Strip, moisture: StripMoisture, s: int, hour: int, depth_mm: float) -> tuple[float, float]:
    """By how much the lift is wetter than its upper part [% points]; the members' spread of it counts as none."""
    lift_mm = 1000.0 * strip.lift_thickness_m
    if depth_mm >= lift_mm:
        return 0.0, 0.0
    top, base = moisture.w_top_pct[hour, s], moisture.w_base_pct[hour, s]
    part = upper_part(top, base, top_thickness_mm(lift_mm), depth_mm)
    return float((moisture.w_pct[hour, s] - part).mean()), 0.0
