"""What the members of a strip carry with them from its last reading on."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(slots=True, kw_only=True)
class SinceReading:
    """What has happened to a strip since its last reading: where that was, and what its simulation closed with."""

    hour: int = -1
    theta: float = np.nan
    n_starts: int = 0
    side_doubted: float = 0.0
    closed_rest: Floats | None = field(default=None, repr=False)
    closed_surprise: float = 0.0
    closed_variance: float = np.inf
