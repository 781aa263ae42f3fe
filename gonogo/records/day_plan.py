"""The day plan of a site: who does what on which strip from when to when, on what condition, and why not.

One record a run. Mails, calendar, page, terminal and change lines are views of it: none of them computes an hour, a
litre or a condition of its own, so no two of them can disagree. Numbers are SI and unrounded but for what a crew works
by (WaterPlan's passes and speed), moments are UTC, causes are keys of decide/keys.py; NaN means unknown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from gonogo.records.last_test import LastTest
from gonogo.records.site import Drum
from gonogo.records.strip_plan import (
    Badge,
    DryBack,
    Half,
    Job,
    NewLift,
    NextTry,
    NotRecorded,
    StripPlan,
    Task,
    TestFirst,
    Then,
)

__all__ = [
    "Badge",
    "DayPlan",
    "DryBack",
    "Half",
    "Job",
    "LastTest",
    "NewLift",
    "NextTry",
    "NotRecorded",
    "Pause",
    "RainSpell",
    "Sealing",
    "StripPlan",
    "Task",
    "TestFirst",
    "Then",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sealing:
    """What a crew seals, and by when.

    strips       what lies loose by then, in the order in which it is sealed
    start_utc    when the machine begins; by_utc: when all of it is closed: before the rain, before the shift's end
    roller_id, drum   the machine that does it: one that the crew has and that closes this soil
    why          a key of decide/plan_keys.SEAL_CAUSES
    rain_utc     when that rain begins, None where no rain is the cause
    """

    crew_id: str
    strips: tuple[str, ...]
    start_utc: datetime
    by_utc: datetime
    roller_id: str
    drum: Drum
    why: str
    rain_utc: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RainSpell:
    """An unbroken run of hours with likely rain: expected amount [mm], and the chance of measurable rain in it."""

    from_utc: datetime
    until_utc: datetime
    rain_mm: float
    chance: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Pause:
    """Days off before the next shift that are more than the usual weekend.

    first_day, last_day   of the whole break, weekend included; last_day None where nobody knows it
    why      "holiday", "stop" (the site stands still) or "end" (this was its last day)
    names    of the holidays, or why it stands still; empty where nobody named them
    """

    first_day: date
    last_day: date | None
    why: str
    names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class DayPlan:
    """What a site does on one day, as one run told it.

    next_shift_utc  start of the next working day's shift
    strips          by crew, in working order
    jobs            today's work by start; what has begun before the run stands in StripPlan.not_recorded
    sealings        one a crew that has anything to seal
    rain            what is still to come, up to the next shift
    fallen_mm       rain since fallen_since_utc (the end of the last shift), NaN = unknown
    edition         "morning", or the name of a re-check
    is_knowable     False: no usable forecast or no result; jobs are then empty and every strip waits
    pause           days off before the next shift beside the usual weekend, None without
    """

    site_id: str
    day: date
    edition: str
    made_utc: datetime
    shift_start_utc: datetime
    shift_end_utc: datetime
    next_shift_utc: datetime | None
    is_knowable: bool
    strips: tuple[StripPlan, ...]
    jobs: tuple[Job, ...]
    sealings: tuple[Sealing, ...]
    rain: tuple[RainSpell, ...]
    fallen_mm: float
    fallen_since_utc: datetime | None
    pause: Pause | None = None

    def strip(self, strip_id: str) -> StripPlan | None:
        """Return the plan of one strip, None where the plan does not know it."""
        return next((s for s in self.strips if s.strip_id == strip_id), None)

    def jobs_of(self, strip_id: str) -> tuple[Job, ...]:
        """Return a strip's work of today, by start."""
        return tuple(job for job in self.jobs if job.strip_id == strip_id)

    def rolling(self, strip_id: str) -> Job | None:
        """Return the rolling of a strip whose hours are not over when the plan is made, None where there is none."""
        own = self.jobs_of(strip_id)
        return next((job for job in own if job.task == Task.ROLL and job.end_utc > self.made_utc), None)

    def sealing(self, crew_id: str) -> Sealing | None:
        """Return what a crew seals today, None where nothing."""
        return next((s for s in self.sealings if s.crew_id == crew_id), None)


def first_told_utc(plans: Sequence[DayPlan]) -> dict[tuple[str, Task, int, datetime], datetime]:
    """Return by strip, task, lift and start when each job was told that later plans tell as begun.

    plans   oldest first

    A plan that tells a job before its start orders it anew, whatever was told of that hour before.
    """
    found: dict[tuple[str, Task, int, datetime], datetime] = {}
    for plan in plans:
        for job in plan.jobs:
            if job.start_utc > plan.made_utc:
                found[job.strip_id, job.task, job.lift, job.start_utc] = plan.made_utc
    return found
