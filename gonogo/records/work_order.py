"""The proposed order of work, and what changed against an earlier run."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum


class Work(StrEnum):
    """Kind of planned work."""

    WATERING = "watering"
    ROLLING = "rolling"
    SEALING = "sealing"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedWork:
    """One piece of work in the proposed order.

    strip_id           "" for sealing: the whole crew at the end of its shift
    lift               1 = the first recorded lift of the strip; sealing: 0
    start_utc, end_utc rolling: first to last pass; watering: first to last drop; sealing: the time reserved for it
    chance             rolling: that it finds the lift inside its window, dry and unfrozen; else NaN
    area_m2            of the strip
    expected_area_m2   rolling: chance x area; else 0
    litres             watering: for the strip; else 0
    truck_id           watering: the truck that does it; else ""
    flags              keys.PLAN_FLAGS: "today" (as this morning's verdict says), "test_first", "next_lift", "late"...
    """

    strip_id: str
    lift: int
    crew_id: str
    work: Work
    start_utc: datetime
    end_utc: datetime
    chance: float
    area_m2: float
    expected_area_m2: float
    litres: float = 0.0
    truck_id: str = ""
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Unplanned:
    """A lift that has no place in the order, and why.

    reason    keys.UNPLANNED: "no_likely_hour", "roller_full", "truck_full", "longer_than_shift", "lift_below"...
    chance    best chance that any hour of the horizon gives it, NaN where none is known; at_utc: that hour
    """

    strip_id: str
    lift: int
    reason: str
    chance: float
    at_utc: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """A lift whose planned day differs from that of the plan before. None = not planned."""

    strip_id: str
    lift: int
    before_utc: datetime | None
    after_utc: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkOrder:
    """The proposed order of work over the horizon.

    works               by start, then by crew
    expected_area_m2    sum of chance x area over the planned rolling
    given_order_area_m2 the same, had the strips been taken in the order in which the config gives them
    gap_frac            proven: no order is better by more than this share of what was maximised; 0 = optimal
    method              "solver", or "given_order" where the solver failed; fault then says why in a line
    """

    works: tuple[PlannedWork, ...]
    unplanned: tuple[Unplanned, ...]
    moves: tuple[Move, ...]
    expected_area_m2: float
    given_order_area_m2: float
    gap_frac: float
    method: str
    fault: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Why:
    """One cause of a change: a row of keys.CAUSES with its numbers by gap name."""

    key: str
    numbers: dict[str, float] = field(default_factory=dict)
    at_utc: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing that changed since a previous run, and why.

    strip_id               "" = the whole site
    what                   a row of keys.CHANGES: "verdict", "planned_start", "next_hour", "lift_done", "rain"...
    before, after          words of a badge, or of a verdict where no badge is known; "" where `what` is not one
    before_utc, after_utc  moments; None = there was or is none; for hours of rolling their start
    before_until_utc, after_until_utc   the end of these hours
    numbers                the rest, by gap name
    why                    most telling first; empty where no cause was found
    """

    strip_id: str
    what: str
    before: str = ""
    after: str = ""
    before_utc: datetime | None = None
    after_utc: datetime | None = None
    before_until_utc: datetime | None = None
    after_until_utc: datetime | None = None
    numbers: dict[str, float] = field(default_factory=dict)
    why: tuple[Why, ...] = ()
