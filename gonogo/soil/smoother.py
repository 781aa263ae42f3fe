"""What pairs of readings teach of a soil: an ensemble smoother over all of them at once.

Each pair is a march of the members from one reading to the next. Every forecast starts again from the members as they
were before any reading, with all pairs so far: so the spread cannot collapse step by step, and an error made once is
not carried on.
Source: van Leeuwen and Evensen 1996, Mon. Wea. Rev. 124, 2898-2913.
Checked in tests/properties/test_filter_smoother.py.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

SURPRISE_LIMIT_SD = 3.0  # a pair farther off than this many standard deviations teaches no more than that
VARIANCE_FLOOR = 1e-8


def taught(
    wanted: Floats,
    seen: Floats,
    found: Floats,
    error_sd: Floats,
    *,
    surprise_limit_sd: float = SURPRISE_LIMIT_SD,
) -> tuple[Floats, Floats]:
    """Return mean and variance (W,) of what is wanted, given all pairs.

    wanted    members (W, M) of what is to be known: parameters, or contents to come
    seen      members (P, M) of the readings that closed the pairs, as the march made them
    found     (P,) those readings as measured
    error_sd  (P,) standard deviation of reading and march together where the parameters are right

    Without pairs it is the members' own mean and variance.
    """
    n_members = wanted.shape[-1]
    mean, variance = wanted.mean(axis=-1), wanted.var(axis=-1, ddof=1)
    if found.size == 0:
        return mean, variance
    apart = seen - seen.mean(axis=-1, keepdims=True)
    covariance = apart @ apart.T / (n_members - 1) + np.diag(error_sd**2)
    limit = surprise_limit_sd * np.sqrt(np.diag(covariance))
    surprise = np.clip(found - seen.mean(axis=-1), -limit, limit)
    cross = (wanted - mean[:, None]) @ apart.T / (n_members - 1)
    gain = np.linalg.solve(covariance, cross.T).T
    return mean + gain @ surprise, np.maximum(variance - (gain * cross).sum(axis=-1), VARIANCE_FLOOR)
