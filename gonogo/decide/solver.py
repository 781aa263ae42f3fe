"""One choice for each job so that machines suffice and the worth is greatest: a mixed-integer programme for HiGHS.

Time is cut into slots, numbered through the whole horizon. The library is imported where it is used: it costs a tenth
of a second that most commands need not pay.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gonogo.errors import GonogoError

RELATIVE_GAP = 5e-4  # a better order by less than this share is not looked for
_POLISH_ROUNDS = 20


class SolverError(GonogoError):
    """The solver gave no usable answer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Use:
    """A machine's time: slots first to last, both taken."""

    machine: int
    first: int
    last: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One way to do a job.

    value    what it is worth; a choice worth nothing or less is never taken
    start    slot in which it begins; ready: first slot in which a job that waits for this one may begin
    """

    job: int
    value: float
    start: int
    ready: int
    uses: tuple[Use, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """What to choose from.

    capacity   by machine, how many of it there are
    after      (lower, upper) jobs: upper may only be done after lower, and not without it
    """

    n_jobs: int
    n_slots: int
    capacity: tuple[int, ...]
    choices: tuple[Choice, ...]
    after: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """The choice of each job (its index in Problem.choices), None = not done. No solution is worth more than bound."""

    chosen: tuple[int | None, ...]
    value: float
    bound: float

    @property
    def gap_frac(self) -> float:
        """Share of its value by which a better solution could still exceed this one, at most."""
        return max(self.bound - self.value, 0.0) / self.value if self.value > 0.0 else 0.0


def worth(problem: Problem, chosen: Sequence[int | None]) -> float:
    """Return the summed value of chosen choices, minus infinity where they break a rule of the problem."""
    taken = [None if k is None else problem.choices[k] for k in chosen]
    used = np.zeros((len(problem.capacity), problem.n_slots), dtype=np.int64)
    for choice in taken:
        for use in () if choice is None else choice.uses:
            used[use.machine, use.first : use.last + 1] += 1
    if any(used[m].max(initial=0) > n for m, n in enumerate(problem.capacity)):
        return -math.inf
    for lower, upper in problem.after:
        below, above = taken[lower], taken[upper]
        if above is not None and (below is None or above.start < below.ready):
            return -math.inf
    return sum(choice.value for choice in taken if choice is not None)


def solve(problem: Problem, time_limit_s: float, *, start: Sequence[int | None] | None = None) -> Solution:
    """Return the best choices found, with the bound that no other choices can exceed.

    time_limit_s   after this long the best so far is returned [s], above 0
    start          choices to begin from: what comes back is worth no less

    One thread and a fixed seed: the same problem gives the same answer, as long as it is solved within the limit.
    Raises SolverError where the solver fails or finds nothing in time.
    """
    worthy = [k for k, choice in enumerate(problem.choices) if choice.value > 0.0]
    if not worthy:
        return Solution(chosen=(None,) * problem.n_jobs, value=0.0, bound=0.0)
    begun = [] if start is None else [k for k in start if k is not None]
    try:
        values, bound = _run(problem, worthy, time_limit_s, begun)
    except SolverError:
        raise
    except Exception as error:  # the library's door: whatever it raises, and its absence, is a SolverError
        raise SolverError(f"{type(error).__name__}: {error}") from error
    chosen: list[int | None] = [None] * problem.n_jobs
    for column, k in enumerate(worthy):
        if values[column] > 0.5:
            chosen[problem.choices[k].job] = k
    value = worth(problem, chosen)
    if start is not None and (start_value := worth(problem, start)) > value:
        chosen, value = list(start), start_value
    if not math.isfinite(value):
        raise SolverError("the solver's answer breaks a rule of the problem")
    chosen = polished(problem, chosen)
    value = worth(problem, chosen)
    return Solution(chosen=tuple(chosen), value=value, bound=max(bound, value))


def polished(problem: Problem, chosen: Sequence[int | None]) -> list[int | None]:
    """Return choices in which no job can gain by itself: each takes the best of those that the others leave free.

    The search stops short of the last ten-thousandths; what it leaves there shows as gaps between equals.
    """
    best = list(chosen)
    used = np.zeros((len(problem.capacity), problem.n_slots), dtype=np.int64)
    lower_of = {upper: lower for lower, upper in problem.after}
    upper_of = dict(problem.after)
    by_job: dict[int, list[int]] = {}
    for k, choice in enumerate(problem.choices):
        by_job.setdefault(choice.job, []).append(k)
    for ways in by_job.values():
        ways.sort(key=lambda k: (-problem.choices[k].value, problem.choices[k].start))

    def book(k: int | None, n: int) -> None:
        for use in () if k is None else problem.choices[k].uses:
            used[use.machine, use.first : use.last + 1] += n

    def fits(choice: Choice) -> bool:
        below, above = lower_of.get(choice.job), upper_of.get(choice.job)
        if below is not None:
            k = best[below]
            if k is None or choice.start < problem.choices[k].ready:
                return False
        if above is not None:
            k = best[above]
            if k is not None and problem.choices[k].start < choice.ready:
                return False
        return all(used[u.machine, u.first : u.last + 1].max() < problem.capacity[u.machine] for u in choice.uses)

    for held in best:
        book(held, 1)
    for _ in range(_POLISH_ROUNDS):
        before = list(best)
        for job in sorted(by_job, key=lambda j: _start(problem, best[j])):
            held = best[job]
            book(held, -1)
            least = 0.0 if held is None else problem.choices[held].value
            better = (k for k in by_job[job] if problem.choices[k].value > least and fits(problem.choices[k]))
            best[job] = next(better, held)
            book(best[job], 1)
        if best == before:
            break
    return best


def _start(problem: Problem, k: int | None) -> int:
    return problem.n_slots if k is None else problem.choices[k].start


def _rows(problem: Problem, worthy: Sequence[int]) -> tuple[list[tuple[list[int], list[float], float]], int]:
    """Return rows (columns, coefficients, upper bound) of the programme, and the number of columns.

    Columns: one for each worthy choice, then for each (lower, upper) pair running sums over the slots.
    """
    jobs: dict[int, list[int]] = {}
    slots: dict[tuple[int, int], list[int]] = {}
    for column, k in enumerate(worthy):
        choice = problem.choices[k]
        jobs.setdefault(choice.job, []).append(column)
        for use in choice.uses:
            for slot in range(use.first, use.last + 1):
                slots.setdefault((use.machine, slot), []).append(column)
    rows = [(columns, [1.0] * len(columns), 1.0) for columns in jobs.values()]
    rows += [
        (columns, [1.0] * len(columns), float(problem.capacity[machine]))
        for (machine, _), columns in sorted(slots.items())
        if len(columns) > problem.capacity[machine]
    ]
    n_columns = len(worthy)
    for lower, upper in problem.after:
        starts: dict[int, list[int]] = {}
        readies: dict[int, list[int]] = {}
        for column in jobs.get(upper, ()):
            starts.setdefault(problem.choices[worthy[column]].start, []).append(column)
        for column in jobs.get(lower, ()):
            readies.setdefault(problem.choices[worthy[column]].ready, []).append(column)
        # sum(t) <= sum(t - 1) + lower jobs ready at t; upper jobs started up to t <= sum(t), written as two chains.
        moments = sorted(set(starts) | set(readies))
        before: int | None = None
        for moment in moments:
            spare = n_columns  # jobs ready and not yet built upon
            n_columns += 1
            gains, takes = readies.get(moment, []), starts.get(moment, [])
            columns = [spare, *gains, *takes]
            coefficients = [1.0, *[-1.0] * len(gains), *[1.0] * len(takes)]
            if before is not None:
                columns.append(before)
                coefficients.append(-1.0)
            rows.append((columns, coefficients, 0.0))
            before = spare
    return rows, n_columns


def _run(
    problem: Problem, worthy: Sequence[int], time_limit_s: float, start: Sequence[int]
) -> tuple[Sequence[float], float]:
    """Run HiGHS; return the values of the columns and the proven bound."""
    import highspy

    rows, n_columns = _rows(problem, worthy)
    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = n_columns, len(rows)
    lp.sense_ = highspy.ObjSense.kMaximize
    cost = np.zeros(n_columns)
    cost[: len(worthy)] = [problem.choices[k].value for k in worthy]
    lp.col_cost_ = cost
    lp.col_lower_, lp.col_upper_ = np.zeros(n_columns), np.ones(n_columns)
    lp.row_lower_ = np.full(len(rows), -highspy.kHighsInf)
    lp.row_upper_ = np.array([upper for _, _, upper in rows])
    lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    lp.a_matrix_.start_ = np.cumsum([0, *(len(columns) for columns, _, _ in rows)])
    lp.a_matrix_.index_ = np.concatenate([np.array(columns) for columns, _, _ in rows])
    lp.a_matrix_.value_ = np.concatenate([np.array(coefficients) for _, coefficients, _ in rows])
    kinds = (highspy.HighsVarType.kInteger, highspy.HighsVarType.kContinuous)
    lp.integrality_ = [kinds[column >= len(worthy)] for column in range(n_columns)]
    highs = highspy.Highs()
    for name, value in (
        ("output_flag", False),
        ("threads", 1),
        ("random_seed", 1),
        ("presolve", "off"),
        ("mip_rel_gap", RELATIVE_GAP),
        ("time_limit", time_limit_s),
    ):
        highs.setOptionValue(name, value)
    if highs.passModel(lp) == highspy.HighsStatus.kError:
        raise SolverError("the solver refused the problem")
    column_of = {k: column for column, k in enumerate(worthy)}
    if begun := [column_of[k] for k in start if k in column_of]:
        whole = np.arange(len(worthy), dtype=np.int32)
        highs.setSolution(len(whole), whole, np.isin(whole, begun).astype(np.float64))
    if highs.run() == highspy.HighsStatus.kError:
        raise SolverError("the solver failed")
    info = highs.getInfo()
    if info.primal_solution_status != highspy.SolutionStatus.kSolutionStatusFeasible:
        raise SolverError(f"nothing found in {time_limit_s:g} s ({highs.modelStatusToString(highs.getModelStatus())})")
    return highs.getSolution().col_value, float(info.mip_dual_bound)
