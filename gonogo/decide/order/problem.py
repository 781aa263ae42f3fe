"""The lifts of crews that share machines as a problem: what each way to do a lift is worth, and which slots it takes.

Machines' time is cut into slots, numbered through the days ahead.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from gonogo.decide.inputs import Floats, MorningInputs
from gonogo.decide.order.closed_up import counted_chances, weight_of
from gonogo.decide.order.option import Option
from gonogo.decide.order.options import LiftToDo, shared
from gonogo.decide.order.result import Part, day_of
from gonogo.decide.order.timetable import Choice, Problem, Use
from gonogo.decide.today import Prepared
from gonogo.decide.windows import Working
from gonogo.records.crew import Roller
from gonogo.records.work_order import PlannedWork

Ints = npt.NDArray[np.int64]

# Weights of what is maximised: our own choices. A lift after its date is worth a third, water costs a hundredth. What
# is told today wants its place today, the more so where it is watered. An hour later costs, more where a strip closes.
LATE_SHARE = 1.0 / 3.0
DAY_SHARE = 0.005
NEXT_DAY_SHARE = 0.04  # more than the latest start of a day costs: nothing is put off because it would start late
WATER_SHARE = 0.01
TODAY_SHARE = 0.3
TESTED_TODAY_SHARE = 0.2
WATERED_TODAY_SHARE = 0.5
START_SHARE_H = 0.003
URGENT_WITHIN_H = 6.0
_NUDGE = 1e-6


def parts_of(
    prepared: Prepared,
    ahead: Sequence[Working],
    lifts: Sequence[LiftToDo],
    old: Mapping[tuple[str, int], PlannedWork],
    step_h: Mapping[str, float],
) -> tuple[Part, ...]:
    """Return one problem for each group of crews that share machines.

    ahead    the days of the horizon; old: what the plan before says of each lift's rolling
    step_h   by strip id, the length of a slot [h]
    """
    inputs = prepared.inputs
    groups = shared(inputs)
    by_group: dict[int, list[LiftToDo]] = {}
    for lift in lifts:
        by_group.setdefault(groups[inputs.strips[lift.s].crew_id], []).append(lift)
    return tuple(_part(prepared, ahead, some, old, step_h[inputs.strips[some[0].s].id]) for some in by_group.values())


class _Slots:
    """Slots of the days ahead on one count, and the machines that are busy in them."""

    def __init__(self, ahead: Sequence[Working], step_h: float) -> None:
        self.step_h = step_h
        self.from_h = np.array([hours.from_h for hours in ahead])
        self.until_h = np.array([hours.until_h for hours in ahead])
        n_slots = [math.ceil(hours.hours / step_h - _NUDGE) for hours in ahead]
        self.first = np.array([0, *itertools.accumulate(n_slots)])  # slot of each day, and one past the last
        self.machines: dict[str, int] = {}
        self.capacity: list[int] = []

    def machine(self, kind: str, machine_id: str, count: int) -> int:
        """Return the number of a machine, of which there are so many."""
        if (name := f"{kind} {machine_id}") not in self.machines:
            self.machines[name] = len(self.capacity)
            self.capacity.append(count)
        return self.machines[name]

    def used(self, day_n: Ints, from_h: Floats, until_h: Floats) -> tuple[Ints, Ints]:
        """Return the first and last slots (N,) that some hours of a day take; hours that are not known take none."""
        base, begin_h = self.first[day_n], self.from_h[day_n]
        is_known = np.isfinite(from_h + until_h)
        from_h, until_h = np.where(is_known, from_h, begin_h), np.where(is_known, until_h, begin_h)
        stop = base + np.ceil((until_h - begin_h) / self.step_h - _NUDGE).astype(np.int64)
        last = np.minimum(stop, self.first[day_n + 1]) - 1
        first = base + np.floor((from_h - begin_h) / self.step_h + _NUDGE).astype(np.int64)
        return np.maximum(np.minimum(first, last), base), last

    def after(self, at_h: Floats) -> Ints:
        """Return the first slots (N,) that begin at moments or later."""
        day_n = np.searchsorted(self.until_h, at_h, side="right")
        is_ahead = day_n < len(self.until_h)
        day_n = np.where(is_ahead, day_n, 0)
        later_h = np.where(is_ahead, at_h - self.from_h[day_n], 0.0)
        slot = self.first[day_n] + np.maximum(np.ceil(later_h / self.step_h - _NUDGE).astype(np.int64), 0)
        return np.where(is_ahead, slot, self.first[-1])


def _part(
    prepared: Prepared,
    ahead: Sequence[Working],
    lifts: Sequence[LiftToDo],
    old: Mapping[tuple[str, int], PlannedWork],
    step_h: float,
) -> Part:
    """Return the problem of some lifts: every option as a choice on the slots of its day."""
    inputs, slots = prepared.inputs, _Slots(ahead, step_h)
    choices: list[Choice] = []
    options: list[Option] = []
    kept = _kept_hours(inputs, lifts)
    for job, lift in enumerate(lifts):
        if lift.options:
            columns = _Columns.of(lift.options)
            values = _values(prepared, ahead, lift, columns, old).tolist()
            takes = _uses(inputs, slots, lift, columns, rollers=_rollers(inputs, ahead, lift), kept=kept)
            starts = slots.after(columns.start_h).tolist()
            readies = slots.after(columns.end_h + inputs.setting("next_lift_after_h")).tolist()
            rows = zip(lift.options, values, starts, readies, takes, strict=True)
            for option, value, start, ready, uses in rows:
                if uses is not None:
                    choices.append(Choice(job, value, uses[0].first if uses else start, ready, uses))
                    options.append(option)
    problem = Problem(
        n_jobs=len(lifts),
        n_slots=int(slots.first[-1]),
        capacity=tuple(slots.capacity),
        choices=tuple(choices),
        after=tuple((job, job + 1) for job, (low, up) in enumerate(itertools.pairwise(lifts)) if low.s == up.s),
    )
    return Part(lifts=tuple(lifts), problem=problem, options=tuple(options))


class _Columns(NamedTuple):
    """Fields of the options of a lift as arrays (N,); moments in epoch h."""

    day_n: Ints
    start_h: Floats
    end_h: Floats
    called_h: Floats
    free_h: Floats
    chance: Floats
    litres: Floats

    @classmethod
    def of(cls, options: Sequence[Option]) -> _Columns:
        by_name = dict(zip(Option._fields, zip(*options, strict=True), strict=True))
        return cls(*(np.array(by_name[name]) for name in cls._fields))


def _rollers(inputs: MorningInputs, ahead: Sequence[Working], lift: LiftToDo) -> dict[int, Roller]:
    """Return by day of the horizon the roller that the options of a lift have on it."""
    strip = inputs.strips[lift.s]
    return {n: inputs.roller_on(strip, ahead[n].day) for n in {option.day_n for option in lift.options}}


def _uses(
    inputs: MorningInputs,
    slots: _Slots,
    lift: LiftToDo,
    columns: _Columns,
    *,
    rollers: Mapping[int, Roller],
    kept: Mapping[str, Sequence[tuple[float, float]]],
) -> list[tuple[Use, ...] | None]:
    """Return what each option of a lift takes of roller and truck, None where it wants hours that are kept."""
    trucks = {truck.id: truck for truck in inputs.crew(inputs.strips[lift.s]).trucks}
    taken = []
    for from_h, until_h in ((columns.start_h, columns.end_h), (columns.called_h, columns.free_h)):
        used = slots.used(columns.day_n, from_h, until_h)
        taken.append(zip(*(column.tolist() for column in used), strict=True))
    found: list[tuple[Use, ...] | None] = []
    roller_on: dict[int, int] = {}  # its number among the machines, which are counted as they are first wanted
    for option, rolled, called in zip(lift.options, *taken, strict=True):
        rolled_by = rollers[option.day_n]
        uses: tuple[Use, ...] = ()  # of an order that stands: nothing else gets these hours
        if not (option.is_standing and rolled_by.count == 1):
            if _is_in(option, kept.get(rolled_by.id, ())):
                found.append(None)
                continue
            if option.day_n not in roller_on:
                roller_on[option.day_n] = slots.machine("roller", rolled_by.id, rolled_by.count)
            uses = (Use(roller_on[option.day_n], *rolled),)
        if option.truck_id and not math.isnan(option.called_h):
            uses += (Use(slots.machine("truck", option.truck_id, trucks[option.truck_id].count), *called),)
        found.append(uses)
    return found


def _kept_hours(inputs: MorningInputs, lifts: Sequence[LiftToDo]) -> dict[str, list[tuple[float, float]]]:
    """Return by roller the hours that orders which stand have of it [epoch h], where it is the only one of its kind."""
    kept: dict[str, list[tuple[float, float]]] = {}
    for lift in lifts:
        roller = inputs.roller(inputs.strips[lift.s])
        kept.setdefault(roller.id, []).extend(
            (option.start_h, option.end_h) for option in lift.options if option.is_standing and roller.count == 1
        )
    return kept


def _is_in(option: Option, kept: Sequence[tuple[float, float]]) -> bool:
    """Whether an option of today wants hours that are kept."""
    return option.day_n == 0 and any(
        option.start_h < end_h - _NUDGE and option.end_h > start_h + _NUDGE for start_h, end_h in kept
    )


def _values(
    prepared: Prepared,
    ahead: Sequence[Working],
    lift: LiftToDo,
    columns: _Columns,
    old: Mapping[tuple[str, int], PlannedWork],
) -> Floats:
    """Return what each option of a lift is worth (N,): expected area, with the weights above [m2]."""
    inputs = prepared.inputs
    strip = inputs.strips[lift.s]
    day_n, chance, start_h = columns.day_n, columns.chance, columns.start_h
    best, closes_h = np.zeros(len(ahead)), np.zeros(len(ahead))  # of each day
    np.fmax.at(best, day_n, chance)
    np.maximum.at(closes_h, day_n, columns.end_h)
    share = counted_chances(chance, best[day_n], inputs.n_members(lift.s))
    later = [NEXT_DAY_SHARE * min(n, 3) + DAY_SHARE * max(n - 3, 0) for n in range(len(ahead))]
    share *= 1.0 - np.array(later)[day_n]
    if strip.finish_by is not None:
        share *= np.array([LATE_SHARE if hours.day > strip.finish_by else 1.0 for hours in ahead])[day_n]
    share[columns.litres > 0.0] -= WATER_SHARE
    if lift.is_present:
        today = TODAY_SHARE + (WATERED_TODAY_SHARE if lift.is_watered else 0.0)
        share[day_n == 0] += today if lift.is_told else TESTED_TODAY_SHARE
    planned = old.get((strip.id, lift.number))
    if planned is not None:
        is_same_day = np.array([hours.day for hours in ahead]) == day_of(inputs, planned)
        share[is_same_day[day_n]] += inputs.setting("plan_move_share")
    from_h = np.array([hours.from_h for hours in ahead])[day_n]
    urgency = 1.0 + np.maximum(URGENT_WITHIN_H / np.maximum(closes_h[day_n] - from_h, 1.0) - 0.5, 0.0)
    share -= START_SHARE_H * urgency * (start_h - from_h)
    return np.asarray(weight_of(strip) * strip.area_m2 * share)
