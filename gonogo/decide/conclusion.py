"""What a run came to before it is stored."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from gonogo.decide.judge import Judgement
from gonogo.records.day_plan import DayPlan
from gonogo.records.site import Site
from gonogo.records.verdict import Decision, OutlookDay
from gonogo.records.work_order import Change, PlannedWork, WorkOrder
from gonogo.weather.forecast_status import ForecastStatus
from gonogo.weather.series import HourlyWeather


@dataclass(frozen=True, slots=True, kw_only=True)
class Conclusion:
    """What a run came to before it is stored.

    weather    None where no usable forecast was found
    judgement  None where there is no verdict; `reason` then says why, for the crews
    faults     corrections and passing faults, a sentence each, for the operator
    error      traceback of what failed, "" where nothing did
    plan       the day plan, of which all mails are views; None only where making it failed
    order      proposed order of work, None where none could be made
    changes    what differs from what the run of the day before said; None where there is nothing to compare with
    answer_id  number of the stored answer that it rests on, None where none came or it was not stored
    drawn_with     state of the random numbers that the members of its judgement were drawn with; None without one
    works_before   what earlier runs planned and when, oldest first: what calendars hold by now
    """

    decisions: tuple[Decision, ...]
    outlook: tuple[OutlookDay, ...]
    weather: HourlyWeather | None
    judgement: Judgement | None
    reason: str
    faults: tuple[str, ...]
    error: str
    plan: DayPlan | None = None
    order: WorkOrder | None = None
    changes: tuple[Change, ...] | None = None
    answer_id: int | None = None
    drawn_with: Mapping[str, Any] | None = None
    works_before: tuple[tuple[datetime, tuple[PlannedWork, ...]], ...] = ()

    def site_as_it_lies(self, site: Site) -> Site:
        """Return a site with its strips as their own lifts lie there, as far as this run knows it."""
        return site if self.judgement is None else self.judgement.inputs.site

    @property
    def has_verdict(self) -> bool:
        return (
            self.judgement is not None and self.weather is not None and self.weather.status is not ForecastStatus.NONE
        )
