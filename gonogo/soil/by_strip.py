"""The members of strips that need not have the same number of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt


class ByStrip:
    """Arrays (H, M) of S strips, each with a number of members of its own; read as one of (H, S, M) is.

    found[rows, s]   those rows of one strip; found[rows] the rows of all of them; len(found) is H

    The moisture that lies near the edge of a decision is simulated with more members, strip by strip: what is found of
    the other strips stays as it is.
    """

    __slots__ = ("strips",)

    def __init__(self, strips: Sequence[npt.NDArray[Any]]) -> None:
        self.strips = tuple(strips)

    def __len__(self) -> int:
        return len(self.strips[0]) if self.strips else 0

    def __getitem__(self, key: Any) -> Any:
        if isinstance(key, tuple):
            rows, s = key
            return self.strips[s][rows]
        return self.map(lambda own: own[key])

    def map(self, of_strip: Callable[[npt.NDArray[Any]], npt.NDArray[Any]]) -> ByStrip:
        """Return what a function makes of each strip's array."""
        return ByStrip([of_strip(own) for own in self.strips])


def strip_by_strip(found: npt.NDArray[Any] | ByStrip) -> tuple[npt.NDArray[Any], ...]:
    """Return the array (H, M) of each strip, of an array (H, S, M) too."""
    return found.strips if isinstance(found, ByStrip) else tuple(found[:, s] for s in range(found.shape[1]))


def side_by_side(parts: Sequence[npt.NDArray[Any] | ByStrip], place: Sequence[int]) -> npt.NDArray[Any] | ByStrip:
    """Return the strips of several arrays (H, S, M) in one, the k-th of all being that which stood at place[k].

    An array where all have the same number of members, else ByStrip.
    """
    arrays = [part for part in parts if not isinstance(part, ByStrip)]
    if len(arrays) == len(parts) and len({part.shape[2] for part in arrays}) == 1:
        return np.concatenate(arrays, axis=1)[:, place]
    strips = [own for part in parts for own in strip_by_strip(part)]
    return ByStrip([strips[k] for k in place])


def columns(found: npt.NDArray[Any] | ByStrip, rows: Sequence[int]) -> ByStrip:
    """Return some of the strips; nothing is copied."""
    strips = strip_by_strip(found)
    return ByStrip([strips[s] for s in rows])
