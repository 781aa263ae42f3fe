"""Orders of this day that have begun, or may have: what an earlier run told for an hour that has come stands.

A re-check orders nothing a second time. The litres and hours of such an order stay as they were told until an entry
says what became of it; only weather that stops the work, a lift that has grown too wet, or a test since then that
speaks against rolling, takes it back.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from gonogo.moisture.unknown_work import ToldWork
from gonogo.records.day_plan import DayPlan, Job, StripPlan, Task

# Reasons that take an order back although it may have begun; everything else is doubt about the moisture, which the
# order itself has changed.
ORDER_STANDS = "order_stands"  # rule id of a decision that such an order made
TAKEN_BACK = frozenset(
    (
        "not_knowable", "no_forecast", "forecast_too_old", "rain_not_known", "already_rolled", "day_off", "frozen",
        "stormy", "weather_leaves_no_time", "rain_too_soon", "too_wet", "snow_lying", "too_cold", "standing_water",
        "slick_surface", "frozen_crust", "pond_not_tested",
        "lift_accepted", "density_failed", "lift_in_rework", "binder_time_over", "binder_too_wet",
    )
)  # fmt: skip
# Of these, what is said of a lift by its rolling or density. Where such an order stands, that lift is broken up or
# lies under another by now: why the strip waits, the rules say anew.
OF_LIFT_BEFORE = frozenset(("already_rolled", "lift_accepted", "density_failed", "lift_in_rework"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What a strip was told today, with the jobs that were told with it; told_utc: by which run."""

    told: StripPlan
    jobs: tuple[Job, ...]
    told_utc: datetime

    def job(self, task: Task) -> Job | None:
        return next((job for job in self.jobs if job.task == task), None)


def standing(
    plans: Sequence[DayPlan],
    unknown: Sequence[tuple[ToldWork, float]],
    day: date,
    begins_utc: Mapping[str, datetime | None],
) -> Mapping[str, Standing]:
    """Return by strip the order of this day of which a part has begun or may have.

    begins_utc   by strip id, since when its lift lies there, None where nobody recorded it

    What a run without a forecast had a test decide is no order that could stand: whether it was done is asked. So is
    what a branch had done on a lift that was spread since: the order was of the lift below. Rolling that was told of a
    lift to be spread is an order of that lift, once it lies there: nobody is told to spread it again.
    """
    found: dict[str, Standing] = {}
    for work, _ in unknown:
        for plan in reversed(plans):
            told = plan.strip(work.strip_id)
            if told is None or (work.task == Task.WATER and work.lift != told.lift):
                continue
            if plan.day == day and plan.made_utc == work.told_utc and plan.is_knowable:
                lies = told.as_it_lies(plan.made_utc, begins_utc.get(work.strip_id))
                found.setdefault(
                    work.strip_id, Standing(told=lies, jobs=plan.jobs_of(work.strip_id), told_utc=plan.made_utc)
                )
    return found
