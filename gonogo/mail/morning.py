"""What the mails of one crew, or of several to a planner, are made from."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from gonogo.mail.calendar import Entry
from gonogo.mail.path import DrawnPath
from gonogo.records.day_plan import DayPlan, StripPlan
from gonogo.records.site import Crew, Site, Strip
from gonogo.records.verdict import Decision, OutlookDay
from gonogo.records.work_order import Change, WorkOrder
from gonogo.weather.series import HourlyWeather
from gonogo.wording.clock import Clock


@dataclass(frozen=True, slots=True, kw_only=True)
class Morning:
    """What the mails of one crew, or of several to a planner, are made from.

    edition    "morning" for the first mail of the day, anything else for a later one
    decisions  of the site; strips of other crews are left out
    outlook    of every strip and day, may be empty
    weather    None where there is no forecast to be trusted
    changes    what changed since the last mail and why; None where there is nothing to compare with
    order      the order of work, None where there is none
    paths      moisture by hour of each strip, for the picture; empty for a mail without one
    entries    what calendars should hold
    truck_id   the truck whose driver reads, "" for all trucks of the crews
    haul_road_litres_h   what each kind of truck puts on haul roads in an hour of the shift [L/h]
    truck_efficiency   working minutes of a truck's hour / 60
    """

    site: Site
    crews: tuple[Crew, ...]
    plan: DayPlan
    decisions: Sequence[Decision]
    outlook: Sequence[OutlookDay]
    weather: HourlyWeather | None
    now_utc: datetime
    edition: str = "morning"
    changes: Sequence[Change] | None = None
    order: WorkOrder | None = None
    paths: Mapping[str, DrawnPath] = field(default_factory=dict)
    entries: Sequence[Entry] = ()
    truck_id: str = ""
    truck_efficiency: float = 1.0
    haul_road_litres_h: float = 0.0

    @property
    def clock(self) -> Clock:
        return Clock(site=self.site, day=self.plan.day)

    @property
    def strips(self) -> dict[str, Strip]:
        """The strips of the crews by id, in the site's order."""
        crew_ids = {crew.id for crew in self.crews}
        return {strip.id: strip for strip in self.site.strips if strip.crew_id in crew_ids}

    @property
    def strip_plans(self) -> tuple[StripPlan, ...]:
        """The plans of these strips, in working order."""
        own = self.strips
        return tuple(strip for strip in self.plan.strips if strip.strip_id in own)

    @property
    def chance_needed(self) -> float:
        """The chance that the site asks for, NaN where no decision names it."""
        return next((d.facts["chance_needed"] for d in self.decisions if "chance_needed" in d.facts), math.nan)
