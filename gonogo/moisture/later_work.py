"""Strips on which nothing but later work is otherwise: they are taken on from where an earlier run of them stood."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from gonogo import times
from gonogo.moisture.lift_history import LiftHistory
from gonogo.soil import ensemble
from gonogo.soil.ensemble import StripMoisture
from gonogo.soil.ground import Ground
from gonogo.soil.sky import Sky
from gonogo.soil.waypoint import Waypoint


@dataclass(frozen=True, slots=True, kw_only=True)
class StripWaypoint:
    """A strip's history in an earlier run, the run's waypoint and the strip's place in it."""

    history: LiftHistory
    waypoint: Waypoint = field(repr=False)
    column: int


def taken_on(
    waypoints: Sequence[StripWaypoint],
    histories: Sequence[LiftHistory],
    hour_utc: npt.NDArray[np.datetime64],
    ground: Ground,
    sky: Sky,
) -> StripMoisture | None:
    """Return the moisture of strips from an earlier run of them, without flags; None where it must be run anew.

    waypoints            of each strip in the earlier run
    histories, ground, sky   of the same strips now
    """
    waypoint = waypoints[0].waypoint
    if any(before.waypoint is not waypoint for before in waypoints):
        return None
    begins_utc = times.as_datetime(hour_utc[waypoint.hour])
    for before, history in zip(waypoints, histories, strict=True):
        n_before = len(before.history.works)
        if replace(history, works=history.works[:n_before]) != before.history:
            return None
        if any(work.work == "spread" or work.at_utc < begins_utc for work in history.works[n_before:]):
            return None  # a lift that is spread is another one
        if history.ground.pond_utc is not None:
            return None  # how a pond soaks in goes by the surface as it is after the last work
    return ensemble.run_on(waypoint, [before.column for before in waypoints], ground, sky)
