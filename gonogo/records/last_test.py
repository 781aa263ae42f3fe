"""What the day's plan says of a strip's last moisture test."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class LastTest:
    """The last moisture test of the lift that lies there.

    depth_mm   to which it was taken, None where nobody recorded it
    expected_low_pct, expected_high_pct   what was expected in place of one that is not used: 10 and 90 % [%], NaN where
               the test cannot be
    is_used    False where it is impossible or stands alone against weather and earlier tests: a second one is wanted
    litres_since   water recorded on the lift since [L]
    """

    w_pct: float
    method: str
    at_utc: datetime
    depth_mm: float | None = None
    is_used: bool = True
    expected_low_pct: float = math.nan
    expected_high_pct: float = math.nan
    litres_since: float = 0.0
