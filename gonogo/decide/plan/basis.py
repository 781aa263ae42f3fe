"""What a day plan is made from, computed once for its parts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from gonogo import times
from gonogo.decide.dry_back import Disked
from gonogo.decide.inputs import MorningInputs
from gonogo.decide.today import Prepared
from gonogo.moisture.lift_history import LiftHistory
from gonogo.moisture.unknown_work import ToldWork
from gonogo.records import shift
from gonogo.records.day_plan import DryBack
from gonogo.records.days_off import next_working_day
from gonogo.records.site import Site
from gonogo.records.verdict import Decision
from gonogo.records.work_order import PlannedWork, Work, WorkOrder

NEXT_SHIFT_WITHIN_DAYS = 21  # a longer break is nobody's next working morning


@dataclass(frozen=True, slots=True, kw_only=True)
class Basis:
    """A morning with its verdicts and its order of work.

    histories     by strip id, what was recorded of the lift that lies there
    refused     by strip id and time, impossible tests and those that stand alone: shown, marked as not counting; each
                with what had been expected, 10 and 90 % [%], NaN where the test is impossible
    unknown     told work of which nobody knows, each with the chance that it was done
    disked      by strip id, the wet strips as they would be if they were disked
    done        by strip id, how many of its lifts were rolled
    next_shift_utc  start of the next working day's shift, None where no day within three weeks works
    ways_back   by row, the ways back that were asked for so far (see way_back.py)
    """

    prepared: Prepared
    decisions: Mapping[str, Decision]
    histories: Mapping[str, LiftHistory]
    refused: Mapping[tuple[str, datetime], tuple[float, float]]
    unknown: Sequence[tuple[ToldWork, float]]
    disked: Mapping[str, Disked]
    order: WorkOrder
    done: Mapping[str, int]
    shift_utc: tuple[datetime, datetime]
    next_shift_utc: datetime | None
    ways_back: dict[int, DryBack | None] = field(init=False, default_factory=dict, repr=False)

    @property
    def inputs(self) -> MorningInputs:
        return self.prepared.inputs

    @property
    def site(self) -> Site:
        return self.prepared.inputs.site


def rolling_today(basis: Basis, strip_id: str) -> PlannedWork | None:
    """Return the rolling of a strip that the order of work has today."""
    return next(
        (
            w
            for w in basis.order.works
            if w.strip_id == strip_id
            and w.work == Work.ROLLING
            and times.local_date(w.start_utc, basis.site.zone) == basis.inputs.day
        ),
        None,
    )


def next_shift_utc(site: Site, day: date) -> datetime | None:
    """Return the start of the next working day's shift after a date, None where none comes within three weeks."""
    after = next_working_day(site, day)
    is_near = after is not None and (after - day).days <= NEXT_SHIFT_WITHIN_DAYS
    return shift.shift_utc(site, after)[0] if after is not None and is_near else None


def last_shift_end_utc(site: Site, day: date) -> datetime:
    """Return the end of the last shift before a date, of the day before where none was within three weeks."""
    for back in range(1, NEXT_SHIFT_WITHIN_DAYS + 1):
        before = day - timedelta(days=back)
        if shift.is_working_day(site, before):
            return shift.shift_utc(site, before)[1]
    return shift.shift_utc(site, day - timedelta(days=1))[1]
