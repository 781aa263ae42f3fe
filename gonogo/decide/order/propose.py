"""The order of work over the horizon: which lift is rolled when, so that the expected area finished is greatest.

What is maximised is chance x area of every lift, weighted by priority, less where it comes after the strip's date, with
a little for keeping to the plan before. A lift above another counts by its own chance, given that the one below is
done. Today's part is this morning's verdicts: nothing is rolled or watered today that a crew was not told.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from gonogo.decide.inputs import MorningInputs
from gonogo.decide.order.closed_up import settled
from gonogo.decide.order.options import lifts_to_do, steps_h
from gonogo.decide.order.problem import parts_of
from gonogo.decide.order.result import (
    as_ordered,
    expected_m2,
    moves,
    sealing,
    unplanned,
    watered_today,
    works,
)
from gonogo.decide.order.solver import Solution, SolverError, solve
from gonogo.decide.order.timetable import Choice, Problem, objective
from gonogo.decide.outlook import days
from gonogo.decide.today import Prepared, prepare
from gonogo.records.verdict import Decision
from gonogo.records.work_order import WorkOrder

FINE_UP_TO = 12  # so many lifts on shared machines are planned to the quarter hour, more to the half


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
    parts = parts_of(prepared, ahead, lifts, old, step_h)
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
