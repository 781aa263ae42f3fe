"""The way back of a wet lift: the same model with the strip disked, and when it is inside its window again.

Disking opens the surface to the sun and mixes what has dried with what has not; how much that brings is the model's,
not a ratio's. The chance is given a test on that morning: it says how likely the test is to release the strip.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta

import numpy as np

from gonogo import times
from gonogo.decide.inputs import Floats, MorningInputs
from gonogo.decide.lasting import share
from gonogo.decide.windows import moment
from gonogo.moisture.lift_history import LiftHistory
from gonogo.records import shift
from gonogo.records.day_plan import Task
from gonogo.records.field import SurfaceWork
from gonogo.soil.ensemble import StripMoisture

DISK_AT = (time(9), time(13))  # when dew is off, and once more while the sun is high: common practice
DISK_LATEST = time(15)  # an opened lift wants some hours of sun before it is left, or sealed: common practice
DAYS_AT_MOST = 4  # disked on so many working days ahead at most; more is another plan
REST_H = 1.0  # a disked lift is tested this long after a disking at the earliest: common practice
DRY_H = 3  # hours after a disking in which it must be likely dry for it to be worth the diesel: our own choice


@dataclass(frozen=True, slots=True, kw_only=True)
class Disked:
    """A wet strip as it would be if it were disked.

    disk_utc   when, oldest first
    w_pct      (H, M) mean of the lift at the start of each hour [%], beside MorningInputs.w_pct
    """

    disk_utc: tuple[datetime, ...]
    w_pct: Floats


def disked(
    inputs: MorningInputs,
    rows: Sequence[int],
    histories: Sequence[LiftHistory],
    resimulate: Callable[[Sequence[int], Sequence[LiftHistory]], StripMoisture],
) -> dict[str, Disked]:
    """Return what disking would make of some strips; a strip without an hour to disk in is left out.

    rows      of the wet strips; histories: of every strip of the site
    """
    at_utc = disk_hours(inputs) if rows else ()
    hours = {s: own for s in rows if (own := _not_told_again(inputs, s, histories[s], at_utc))}
    if not hours:
        return {}
    worked = [
        replace(
            histories[s],
            works=(
                *histories[s].works,
                *(SurfaceWork(strip_id=inputs.strips[s].id, at_utc=at, work="disked") for at in own),
            ),
        )
        for s, own in hours.items()
    ]
    moisture = resimulate(tuple(hours), worked)
    return {
        inputs.strips[s].id: Disked(disk_utc=own, w_pct=moisture.w_pct[:-1, k])
        for k, (s, own) in enumerate(hours.items())
    }


def _not_told_again(
    inputs: MorningInputs, s: int, history: LiftHistory, at_utc: tuple[datetime, ...]
) -> tuple[datetime, ...]:
    """Return the hours of disking of a strip, without new ones today where nobody knows whether it was disked as told.

    What was told for later today stands. at_utc: for any strip
    """
    order = inputs.orders.get(inputs.strips[s].id)
    if order is None or any(w.work == "disked" and w.at_utc >= order.told_utc for w in history.works):
        return at_utc
    told = [job.start_utc for job in order.jobs if job.task == Task.DISK]
    if not any(at <= inputs.now_utc for at in told):
        return at_utc
    ahead = [at for at in told if at > inputs.now_utc and _is_dry(inputs, at)]
    return (*ahead, *(at for at in at_utc if times.local_date(at, inputs.site.zone) != inputs.day))


def disk_hours(inputs: MorningInputs) -> tuple[datetime, ...]:
    """Return when wet lifts are disked: twice a working day, on hours that are ahead and likely dry."""
    found: list[datetime] = []
    n_days = 0
    last = times.local_date(times.as_datetime(inputs.hour_utc[-1]), inputs.site.zone)
    day = inputs.day
    while day <= last and n_days < DAYS_AT_MOST:
        own = [at for at in _of_day(inputs, day) if at >= inputs.now_utc and _is_dry(inputs, at)]
        found += own
        n_days += bool(own)
        day = date.fromordinal(day.toordinal() + 1)
    return tuple(found)


def _of_day(inputs: MorningInputs, day: date) -> list[datetime]:
    """The hours of one day: where the first is past, it is disked now, and once more as long after it as usual."""
    if not shift.is_working_day(inputs.site, day):
        return []
    start, end = shift.shift_utc(inputs.site, day)
    first, second = (times.moment_utc(day, clock, inputs.site.zone) for clock in DISK_AT)
    begins = max(first, inputs.now_utc) if day == inputs.day else first
    latest = times.moment_utc(day, DISK_LATEST, inputs.site.zone)
    return [at for at in (begins, begins + (second - first)) if start <= at < end and at <= latest]


def _is_dry(inputs: MorningInputs, at_utc: datetime) -> bool:
    """Whether rain, light rain too, is unlikely in the hours after a moment: GTR, class A1, has no wet fill in it."""
    hours = inputs.weather.hour_utc
    first = int(np.searchsorted(hours, times.as_hour(at_utc)))
    rain = inputs.weather.rain_members_mm[first : first + DRY_H]
    if len(rain) < DRY_H or bool(np.any(np.isnan(rain))):
        return False
    wet = np.max(rain, axis=0) >= inputs.setting("light_rain_mm_h")
    return share(wet) <= inputs.setting("rain_chance_stop")


def chance_inside(inputs: MorningInputs, s: int, path: Disked, from_h: float, needed_h: float) -> float:
    """Return the chance that a disked lift is inside its window during some hours [epoch h], NaN outside the table."""
    first_h = int(inputs.hour_utc[0].astype("datetime64[h]").astype(np.int64))
    rows = slice(math.floor(from_h) - first_h, math.ceil(from_h + needed_h) - first_h + 1)
    if rows.start < 0 or rows.stop > len(path.w_pct):
        return math.nan
    material = inputs.material(inputs.strips[s])
    deviation = path.w_pct[rows] - material.omc_pct
    inside = (deviation >= material.window_low_pct) & (deviation <= material.window_high_pct)
    return share(np.logical_and.reduce(inside))


def ready_from(disked_utc: datetime) -> datetime:
    """Return when a strip that was disked may be ready at the earliest: the first full hour after its rest.

    Whoever counts on a disked strip, its way back or the second test of one that was found wet, waits as long.
    """
    return times.hour_floor(disked_utc + timedelta(hours=REST_H)) + times.HOUR


def last_disking_before(path: Disked, at_h: float) -> tuple[datetime, ...]:
    """Return the diskings that come before a moment [epoch h]."""
    at_utc = moment(at_h)
    return tuple(at for at in path.disk_utc if at < at_utc)
