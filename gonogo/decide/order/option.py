"""One way to do a lift."""

from __future__ import annotations

import math
from typing import NamedTuple


class Option(NamedTuple):
    """One way to do a lift: when it is rolled, and when it is watered first. A tuple: a morning makes a thousand.

    day_n             day of the horizon, 0 = the morning's own
    start_h, end_h    rolling [epoch h]
    at_h, done_h      first and last drop [epoch h], NaN without watering
    is_after_test     only if the test before it allows
    truck_id          the truck that waters it first, "" where the order need not ask for one
    is_standing       told by an earlier run of today, and begun or perhaps begun: its hours are kept
    called_h, free_h  from the truck's call until it can be called again; NaN where the order need not ask for it
    """

    day_n: int
    start_h: float
    end_h: float
    chance: float
    litres: float = 0.0
    at_h: float = math.nan
    done_h: float = math.nan
    called_h: float = math.nan
    free_h: float = math.nan
    is_after_test: bool = False
    truck_id: str = ""
    is_standing: bool = False
