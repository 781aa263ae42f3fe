"""How a strip lies by what somebody saw of it: snow and water on it, and its crust."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from gonogo.records.field import CLEARED, DRAINED, FIRM, FROZEN, POND, SLICK, SNOW, Entry, GroundSeen, SurfaceWork

BREAKS_CRUST = ("disked", "mixed", "spread")  # a slick or frozen crust is no longer on top


@dataclass(frozen=True, slots=True, kw_only=True)
class GroundState:
    """What is recorded of how a strip lies; a moment is None where nothing was recorded, or it is over.

    snow_utc, snow_mm   when snow was last seen on it, and how deep [mm]; None once it was cleared
    cleared_utc         when snow was last cleared off; None once snow was seen again
    ponded_utc          since when the last water that was seen stood there
    pond_utc, pond_mm   when it was last seen, and how deep [mm]; it stays here once it is drained, for its test
    drained_utc         when that water was let off
    slick_utc, frozen_utc   when the crust was seen to be so
    """

    snow_utc: datetime | None = None
    snow_mm: float = 0.0
    cleared_utc: datetime | None = None
    ponded_utc: datetime | None = None
    pond_utc: datetime | None = None
    pond_mm: float = 0.0
    drained_utc: datetime | None = None
    slick_utc: datetime | None = None
    frozen_utc: datetime | None = None


NOTHING_SEEN = GroundState()


def ground_state(strip_id: str, entries: Sequence[Entry], now_utc: datetime) -> GroundState:
    """Return how a strip lies by the entries up to now, in any order.

    A new lift covers pond and crust; its own tests decide then. Snow is known to be gone only where it was cleared.
    """
    own = [
        e for e in entries if isinstance(e, GroundSeen | SurfaceWork) and e.strip_id == strip_id and e.at_utc <= now_utc
    ]
    state = NOTHING_SEEN
    for entry in sorted(own, key=lambda e: e.at_utc):
        state = _seen(state, entry) if isinstance(entry, GroundSeen) else _worked(state, entry)
    return state


def _seen(state: GroundState, entry: GroundSeen) -> GroundState:
    at_utc, depth_mm = entry.at_utc, entry.lying_mm or 0.0
    stands = state.pond_utc is not None and state.drained_utc is None
    changes: dict[str, dict[str, Any]] = {
        SNOW: {"snow_utc": at_utc, "snow_mm": depth_mm, "cleared_utc": None},
        CLEARED: {"snow_utc": None, "snow_mm": 0.0, "cleared_utc": at_utc},
        POND: {
            "ponded_utc": state.ponded_utc if stands else at_utc,
            "pond_utc": at_utc,
            "pond_mm": depth_mm,
            "drained_utc": None,
        },
        DRAINED: {"drained_utc": at_utc},
        SLICK: {"slick_utc": at_utc},
        FROZEN: {"frozen_utc": at_utc},
        FIRM: {"slick_utc": None, "frozen_utc": None},
    }
    return replace(state, **changes[entry.state])


def _worked(state: GroundState, entry: SurfaceWork) -> GroundState:
    if entry.work == "spread":
        return GroundState(snow_utc=state.snow_utc, snow_mm=state.snow_mm, cleared_utc=state.cleared_utc)
    if entry.work in BREAKS_CRUST:
        return replace(state, slick_utc=None, frozen_utc=None)
    return state
