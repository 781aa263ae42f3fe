"""How long a condition goes on to hold from each hour: the chance of a stretch is then one look at its first hour."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Flags = npt.NDArray[np.float64] | npt.NDArray[np.bool_]  # 1, 0 and NaN, or true and false
Rows = npt.NDArray[np.int64]

Row = np.int16  # of a table of hours: there are hundreds, and one number for each strip, hour and member
SHORT_ROW = 200  # members: from 200 to 300 on numpy's accumulating minimum is slower than a loop over rows


@dataclass(frozen=True, slots=True, kw_only=True)
class Lasting:
    """How long a condition (H, ..., M) goes on to hold.

    fails_at     (H, ..., M) the first row, from each row on, in which it does not; H where it holds to the end
    unknown_at   (H, ...) the first row, from each row on, in which it is not known of a member; H where it always is
    """

    fails_at: npt.NDArray[Row]
    unknown_at: npt.NDArray[Row]


def share(holds: Flags) -> float:
    """Return the share of the members (M,) in which a condition holds, NaN where it is unknown of one.

    As `np.mean`, to the last bit, in a tenth of the time: a morning asks for hundreds of them.
    """
    if holds.dtype == np.bool_:
        return float(np.count_nonzero(holds) / len(holds))
    return float(np.add.reduce(holds) / len(holds))


def shares(holds: npt.NDArray[np.bool_]) -> npt.NDArray[np.float64]:
    """Return the share of the members (N, M) in which each of several conditions holds, (N,): as `share`."""
    return np.asarray(np.add.reduce(holds, axis=1, dtype=np.int64) / holds.shape[1])


def lasting(flags: Flags) -> Lasting:
    """Return how long a condition (H, ..., M), kept as by `conditions.flagged`, goes on to hold."""
    fails_at = _first(np.asarray(flags == 0))
    if flags.dtype == np.bool_:
        return Lasting(fails_at=fails_at, unknown_at=np.full(flags.shape[:-1], len(flags), dtype=Row))
    return Lasting(fails_at=fails_at, unknown_at=_first(np.asarray(np.isnan(flags).any(axis=-1))))


def _first(found: npt.NDArray[np.bool_]) -> npt.NDArray[Row]:
    """Return the first row, from each row on, in which something is found, H where nothing is."""
    n_rows = len(found)
    rows = np.arange(n_rows, dtype=Row).reshape(-1, *(1,) * (found.ndim - 1))
    out = np.where(found, rows, Row(n_rows))
    if out[0].size <= SHORT_ROW:
        return np.minimum.accumulate(out[::-1], axis=0)[::-1]
    for row in range(n_rows - 2, -1, -1):  # on longer rows faster than an accumulating minimum
        own = out[row : row + 1]
        np.minimum(own, out[row + 1 : row + 2], out=own)
    return out
