"""The order of work over the horizon: which lift is rolled when, so that the expected area finished is greatest.

What is maximised is chance x area of every lift, weighted by priority, less where it comes after the strip's date, with
a little for keeping to the plan before. A lift above another counts by its own chance, given that the one below is
done. Today's part is this morning's verdicts: nothing is rolled or watered today that a crew was not told.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence

import numpy as np

from gonogo.decide.inputs import MorningInputs
from gonogo.decide.order.closed_up import counted_chance, settled, weight_of
from gonogo.decide.order.option import Option
from gonogo.decide.order.options import LiftToDo, lifts_to_do, shared, steps_h
from gonogo.decide.order.result import (
    Part,
    as_ordered,
    day_of,
    expected_m2,
    moves,
    sealing,
    unplanned,
    watered_today,
    works,
)
from gonogo.decide.order.solver import Solution, SolverError, solve
from gonogo.decide.order.timetable import Choice, Problem, Use, objective
from gonogo.decide.outlook import days
from gonogo.decide.today import Prepared, prepare
from gonogo.decide.windows import Working
from gonogo.records.verdict import Decision
from gonogo.records.work_order import PlannedWork, WorkOrder

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
FINE_UP_TO = 12  # so many lifts on shared machines are planned to the quarter hour, more to the half
_NUDGE = 1e-6


def propose(
    inputs: MorningInputs,
    decisions: Sequence[Decision],
    *,
    done: Mapping[str, int],
    before: WorkOrder | None,
    prepared: Prepared | None = None,
) -> WorkOrder:
    """Return the proposed order of work.

    decisions   of this morning, in the order of inputs.strips
    done        by strip id, how many of its lifts were rolled
    before      the order of the run before, None where there is none
    prepared    from the same inputs, where somebody made it already

    Where the solver fails or finds nothing in time, the lifts stand in the order in which the config gives them, and
    the order says so.
    """
    prepared = prepared or prepare(inputs)
    ahead = tuple(days(prepared))
    step_h = steps_h(inputs, done, FINE_UP_TO)
    lifts = lifts_to_do(prepared, decisions, done, step_h)
    old = as_ordered(inputs, before)
    parts = _parts(prepared, ahead, lifts, old, step_h)
    solutions: list[Solution] = []
    givens: list[tuple[int | None, ...]] = []
    faults: list[str] = []
    for part in parts:
        given = in_given_order(part.problem, [option.chance for option in part.options], prepared.chance_needed)
        givens.append(given)
        try:
            limit_s = inputs.setting("plan_time_limit_s") / len(parts)
            solutions.append(solve(part.problem, limit_s, start=given))
        except SolverError as error:  # whatever a solver does, the crews get their order and their mail
            faults.append(str(error))
            solutions.append(Solution(chosen=given, value=objective(part.problem, given), bound=math.inf))
    settled_parts = [
        (part, settled(prepared, part.lifts, [None if k is None else part.options[k] for k in solution.chosen]))
        for part, solution in zip(parts, solutions, strict=True)
    ]
    planned = [work for part, options in settled_parts for work in works(prepared, ahead, part, options)]
    planned += watered_today(prepared, decisions, planned)
    planned += sealing(prepared, ahead, planned)
    planned.sort(key=lambda w: (w.start_utc, w.crew_id, w.work, w.strip_id))
    value, bound = sum(s.value for s in solutions), sum(s.bound for s in solutions)
    return WorkOrder(
        works=tuple(planned),
        unplanned=tuple(lift for part, options in settled_parts for lift in unplanned(inputs, part, options)),
        moves=moves(inputs, old, planned, lifts),
        expected_area_m2=sum(work.expected_area_m2 for work in planned),
        given_order_area_m2=sum(
            expected_m2(inputs, part, k) for part, given in zip(parts, givens, strict=True) for k in given
        ),
        gap_frac=math.nan if faults else max(bound - value, 0.0) / value if value > 0.0 else 0.0,
        method="given_order" if faults else "solver",
        fault="; ".join(dict.fromkeys(faults)),
    )


def in_given_order(problem: Problem, chances: Sequence[float], chance_needed: float) -> tuple[int | None, ...]:
    """Return the choices of a crew that takes the jobs as they are listed: each as soon as it is likely enough.

    chances   of each choice; where none reaches chance_needed, the job takes the likeliest hour that is still free
    """
    used = np.zeros((len(problem.capacity), problem.n_slots), dtype=np.int64)
    lower_of = {upper: lower for lower, upper in problem.after}
    by_job: dict[int, list[int]] = {}
    for k, choice in enumerate(problem.choices):
        by_job.setdefault(choice.job, []).append(k)
    chosen: list[int | None] = [None] * problem.n_jobs

    def fits(choice: Choice) -> bool:
        lower = lower_of.get(choice.job)
        if lower is not None:
            below = chosen[lower]
            if below is None or choice.start < problem.choices[below].ready:
                return False
        return all(used[u.machine, u.first : u.last + 1].max() < problem.capacity[u.machine] for u in choice.uses)

    for job in range(problem.n_jobs):
        options = by_job.get(job, [])
        likely = sorted((k for k in options if chances[k] >= chance_needed), key=lambda k: problem.choices[k].start)
        rest = sorted((k for k in options if not chances[k] >= chance_needed), key=lambda k: -chances[k])
        for k in (*likely, *rest):
            if fits(problem.choices[k]):
                chosen[job] = k
                for use in problem.choices[k].uses:
                    used[use.machine, use.first : use.last + 1] += 1
                break
    return tuple(chosen)


# --- the problem ---------------------------------------------------------------------------------------------


def _parts(
    prepared: Prepared,
    ahead: Sequence[Working],
    lifts: Sequence[LiftToDo],
    old: Mapping[tuple[str, int], PlannedWork],
    step_h: Mapping[str, float],
) -> tuple[Part, ...]:
    """Return one problem for each group of crews that share machines."""
    inputs = prepared.inputs
    groups = shared(inputs)
    by_group: dict[int, list[LiftToDo]] = {}
    for lift in lifts:
        by_group.setdefault(groups[inputs.strips[lift.s].crew_id], []).append(lift)
    return tuple(_part(prepared, ahead, some, old, step_h[inputs.strips[some[0].s].id]) for some in by_group.values())


class _Slots:
    """Slots of the days ahead on one count, and the machines that are busy in them."""

    def __init__(self, ahead: Sequence[Working], step_h: float) -> None:
        self.ahead, self.step_h = ahead, step_h
        self.first = [0]  # slot of each day, and one past the last
        for hours in ahead:
            self.first.append(self.first[-1] + math.ceil(hours.hours / step_h - _NUDGE))
        self.machines: dict[str, int] = {}
        self.capacity: list[int] = []

    def machine(self, kind: str, machine_id: str, count: int) -> int:
        """Return the number of a machine, of which there are so many."""
        if (name := f"{kind} {machine_id}") not in self.machines:
            self.machines[name] = len(self.capacity)
            self.capacity.append(count)
        return self.machines[name]

    def use(self, number: int, day_n: int, from_h: float, until_h: float) -> Use:
        """Return the slots that some hours of a day take on a machine."""
        base, begin_h = self.first[day_n], self.ahead[day_n].from_h
        last = min(base + math.ceil((until_h - begin_h) / self.step_h - _NUDGE), self.first[day_n + 1]) - 1
        first = min(base + math.floor((from_h - begin_h) / self.step_h + _NUDGE), last)
        return Use(machine=number, first=max(first, base), last=last)

    def after(self, at_h: float) -> int:
        """Return the first slot that begins at a moment or later."""
        for day_n, hours in enumerate(self.ahead):
            if at_h < hours.until_h:
                return self.first[day_n] + max(math.ceil((at_h - hours.from_h) / self.step_h - _NUDGE), 0)
        return self.first[-1]


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
        strip = inputs.strips[lift.s]
        trucks = {truck.id: truck for truck in inputs.crew(strip).trucks}
        by_day = _best_by_day(lift)
        rollers = {n: inputs.roller_on(strip, ahead[n].day) for n in by_day}
        for option in lift.options:
            rolled_by = rollers[option.day_n]
            if option.is_standing and rolled_by.count == 1:
                uses = []  # nothing else gets these hours
            elif _is_in(option, kept.get(rolled_by.id, ())):
                continue
            else:
                roller = slots.machine("roller", rolled_by.id, rolled_by.count)
                uses = [slots.use(roller, option.day_n, option.start_h, option.end_h)]
            if option.truck_id and not math.isnan(option.called_h):
                truck = slots.machine("truck", option.truck_id, trucks[option.truck_id].count)
                uses.append(slots.use(truck, option.day_n, option.called_h, option.free_h))
            choices.append(
                Choice(
                    job=job,
                    value=_value(prepared, ahead[option.day_n], lift, option, by_day[option.day_n], old),
                    start=uses[0].first if uses else slots.after(option.start_h),
                    ready=slots.after(option.end_h + inputs.setting("next_lift_after_h")),
                    uses=tuple(uses),
                )
            )
            options.append(option)
    problem = Problem(
        n_jobs=len(lifts),
        n_slots=slots.first[-1],
        capacity=tuple(slots.capacity),
        choices=tuple(choices),
        after=tuple((job, job + 1) for job, (low, up) in enumerate(itertools.pairwise(lifts)) if low.s == up.s),
    )
    return Part(lifts=tuple(lifts), problem=problem, options=tuple(options))


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


def _best_by_day(lift: LiftToDo) -> dict[int, tuple[float, float]]:
    """Return of each day the best chance of a lift and when its hours close [epoch h]."""
    found: dict[int, tuple[float, float]] = {}
    for option in lift.options:
        chance, closes_h = found.get(option.day_n, (0.0, 0.0))
        found[option.day_n] = (max(chance, option.chance), max(closes_h, option.end_h))
    return found


def _value(
    prepared: Prepared,
    hours: Working,
    lift: LiftToDo,
    option: Option,
    best_of_day: tuple[float, float],
    old: Mapping[tuple[str, int], PlannedWork],
) -> float:
    """Return what an option is worth: expected area, with the weights above [m2]."""
    inputs = prepared.inputs
    strip = inputs.strips[lift.s]
    best_chance, closes_h = best_of_day
    later = NEXT_DAY_SHARE * min(option.day_n, 3) + DAY_SHARE * max(option.day_n - 3, 0)
    share = counted_chance(option.chance, best_chance, inputs.w_pct.shape[2]) * (1.0 - later)
    if strip.finish_by is not None and hours.day > strip.finish_by:
        share *= LATE_SHARE
    if option.litres > 0.0:
        share -= WATER_SHARE
    if option.day_n == 0 and lift.is_present:
        today = TODAY_SHARE + (WATERED_TODAY_SHARE if lift.is_watered else 0.0)
        share += today if lift.is_told else TESTED_TODAY_SHARE
    planned = old.get((strip.id, lift.number))
    if planned is not None and day_of(inputs, planned) == hours.day:
        share += inputs.setting("plan_move_share")
    urgency = 1.0 + max(URGENT_WITHIN_H / max(closes_h - hours.from_h, 1.0) - 0.5, 0.0)
    share -= START_SHARE_H * urgency * (option.start_h - hours.from_h)
    return weight_of(strip) * strip.area_m2 * share
