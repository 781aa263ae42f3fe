"""What the last moisture test alone says of a lift, beside what the members make of it together with the weather."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gonogo.moisture.lift_history import LiftHistory
from gonogo.moisture.strips_run import place
from gonogo.soil.ensemble import StripMoisture
from gonogo.soil.readings import together

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
    usable: Sequence[LiftHistory], hour_utc: npt.NDArray[np.datetime64], moisture: StripMoisture
) -> LastTests:
    """Return the newest test of each strip among those that count.

    usable   of each strip, what happened to its lift without the tests that were refused
    """
    placed, _ = place(usable, hour_utc)
    newest = {test.strip: test for test in together(list(enumerate(placed)))}
    w_pct = np.full(len(usable), np.nan)
    apart_pct = np.full(len(usable), np.nan)
    for s, test in newest.items():
        w_pct[s] = test.w_pct
        apart_pct[s] = test.w_pct - float(moisture.w_pct[test.hour, s].mean())
    return LastTests(w_pct=w_pct, apart_pct=apart_pct)
