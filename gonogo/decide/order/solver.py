"""One choice for each job so that machines suffice and the worth is greatest: a mixed-integer programme for HiGHS.

The library is imported where it is used: it costs a tenth of a second that most commands need not pay.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from gonogo.decide.order.search import best_of_few
from gonogo.decide.order.timetable import Problem, improved, inserted, objective, ranked
from gonogo.errors import GonogoError

RELATIVE_GAP = 5e-4  # a better order by less than this share is not looked for


class SolverError(GonogoError):
    """The solver gave no usable answer."""


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


def solve(problem: Problem, time_limit_s: float, *, start: Sequence[int | None] | None = None) -> Solution:
    """Return the best choices found, with the bound that no other choices can exceed.

    time_limit_s   after this long the best so far is returned [s], above 0
    start          choices to begin from: what comes back is worth no less

    Where few choices could be part of the best, those are tried. Else first without whole numbers, which gives a bound
    and a rounding of it; then, where that is not yet proven, with whole numbers, on the choices that could still be
    part of anything better (reduced-cost fixing). One thread and a fixed seed: the same problem gives the same answer,
    as long as it is solved within the limit. Raises SolverError where the solver fails or finds nothing in time.
    """
    worthy, by_job = [k for k, choice in enumerate(problem.choices) if choice.value > 0.0], ranked(problem)
    if not worthy:
        return Solution(chosen=(None,) * problem.n_jobs, value=0.0, bound=0.0)
    few = best_of_few(problem, by_job, start)
    if few is not None:
        value = objective(problem, few)
        return Solution(chosen=tuple(few), value=value, bound=value)
    try:
        relaxed = _run(problem, worthy, time_limit_s, is_whole=False)
        best = max(
            _rounded(problem, by_job, dict(zip(worthy, relaxed.shares, strict=True)), start),
            key=lambda chosen: objective(problem, chosen),
        )
        value, bound = objective(problem, best), relaxed.bound
        left_s = time_limit_s - relaxed.took_s
        if bound > value * (1.0 + RELATIVE_GAP) and left_s > 0.0:
            open_ = [k for k, lost in zip(worthy, relaxed.lost, strict=True) if bound - lost > value or k in best]
            whole = _run(problem, open_, left_s, is_whole=True, start=best)
            found = _chosen(problem, open_, whole.shares)
            # What was left out could not have exceeded `value`: the bound holds for all.
            bound = min(bound, max(whole.bound, value))
            if objective(problem, found) > value:
                best = found
    except SolverError:
        raise
    except Exception as error:  # the library's door: whatever it raises, and its absence, is a SolverError
        raise SolverError(f"{type(error).__name__}: {error}") from error
    best = improved(problem, best, by_job)
    value = objective(problem, best)
    if not math.isfinite(value):
        raise SolverError("the solver's answer breaks a rule of the problem")
    return Solution(chosen=tuple(best), value=value, bound=max(bound, value))


def _chosen(problem: Problem, columns: Sequence[int], shares: Sequence[float]) -> list[int | None]:
    """The choices whose column is one."""
    chosen: list[int | None] = [None] * problem.n_jobs
    for k, share in zip(columns, shares, strict=True):
        if share > 0.5:
            chosen[problem.choices[k].job] = k
    return chosen


def _rounded(
    problem: Problem,
    by_job: Mapping[int, Sequence[int]],
    share_of: Mapping[int, float],
    start: Sequence[int | None] | None,
) -> list[list[int | None]]:
    """Whole choices near to shares: the greatest shares first, and those that the start is improved to."""
    nothing: list[int | None] = [None] * problem.n_jobs

    def length(k: int) -> int:
        return max(sum(use.last - use.first + 1 for use in problem.choices[k].uses), 1)

    ranks: tuple[Callable[[int], float], ...] = (
        lambda k: share_of[k],
        lambda k: share_of[k] * problem.choices[k].value,
        lambda k: share_of[k] + problem.choices[k].value / length(k) * 1e-6,
    )
    found = [list(nothing)]
    for rank in ranks:
        listed = sorted(
            (k for k, share in share_of.items() if share > 1e-6), key=lambda k: (-rank(k), problem.choices[k].start)
        )
        found.append(improved(problem, inserted(problem, listed), by_job))
    if start is not None:
        found.append(improved(problem, start, by_job))
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rows:
    """Rows of a programme, one after the other: how many entries each has, their columns and factors, upper bounds."""

    lengths: npt.NDArray[np.int64]
    columns: npt.NDArray[np.int64]
    factors: npt.NDArray[np.float64]
    upper: npt.NDArray[np.float64]


def _job_rows(problem: Problem, worthy: Sequence[int]) -> _Rows:
    """Return for each job that at most one of its choices is taken; jobs in the order of their first choice."""
    job = np.array([problem.choices[k].job for k in worthy])
    _, first, lengths = np.unique(job, return_index=True, return_counts=True)
    rank = np.empty(int(job.max()) + 1, dtype=np.int64)
    rank[job[first]] = first
    return _Rows(
        lengths=lengths[np.argsort(first)],
        columns=np.argsort(rank[job], kind="stable"),
        factors=np.ones(len(job)),
        upper=np.ones(len(lengths)),
    )


def _slot_rows(problem: Problem, worthy: Sequence[int]) -> _Rows:
    """Return for each slot of a machine that more choices want than it can serve, that no more of them are taken."""
    uses = [(column, *use) for column, k in enumerate(worthy) for use in problem.choices[k].uses]
    column, machine, first, last = np.array(uses, dtype=np.int64).reshape(-1, 4).T
    n_slots = last - first + 1
    within = np.arange(n_slots.sum()) - np.repeat(np.cumsum(n_slots) - n_slots, n_slots)
    place = np.repeat(machine * problem.n_slots + first, n_slots) + within
    order = np.argsort(place, kind="stable")
    places, lengths = np.unique(place, return_counts=True)
    upper = np.array(problem.capacity, dtype=np.float64)[places // max(problem.n_slots, 1)]
    is_short = lengths > upper
    columns = np.repeat(column, n_slots)[order][np.repeat(is_short, lengths)]
    return _Rows(lengths=lengths[is_short], columns=columns, factors=np.ones(len(columns)), upper=upper[is_short])


def _rows_after(problem: Problem, worthy: Sequence[int]) -> tuple[_Rows, int]:
    """Return that upper jobs wait for their lower ones, and the number of columns with those that this takes.

    For each (lower, upper) pair there are running sums over the slots, each a column after those of the choices.
    """
    jobs: dict[int, list[int]] = {}
    waiting = {job for pair in problem.after for job in pair}
    for column, k in enumerate(worthy):
        if (job := problem.choices[k].job) in waiting:
            jobs.setdefault(job, []).append(column)
    lengths: list[int] = []
    columns: list[int] = []
    factors: list[float] = []
    n_columns = len(worthy)
    for lower, upper in problem.after:
        starts: dict[int, list[int]] = {}
        readies: dict[int, list[int]] = {}
        for column in jobs.get(upper, ()):
            starts.setdefault(problem.choices[worthy[column]].start, []).append(column)
        for column in jobs.get(lower, ()):
            readies.setdefault(problem.choices[worthy[column]].ready, []).append(column)
        # sum(t) <= sum(t - 1) + lower jobs ready at t; upper jobs started up to t <= sum(t), written as two chains.
        before: int | None = None
        for moment in sorted(set(starts) | set(readies)):
            spare = n_columns  # jobs ready and not yet built upon
            n_columns += 1
            gains, takes = readies.get(moment, []), starts.get(moment, [])
            own = [spare, *gains, *takes]
            of_own = [1.0, *[-1.0] * len(gains), *[1.0] * len(takes)]
            if before is not None:
                own.append(before)
                of_own.append(-1.0)
            lengths.append(len(own))
            columns += own
            factors += of_own
            before = spare
    rows = _Rows(
        lengths=np.array(lengths, dtype=np.int64),
        columns=np.array(columns, dtype=np.int64),
        factors=np.array(factors, dtype=np.float64),
        upper=np.zeros(len(lengths)),
    )
    return rows, n_columns


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ran:
    """What the library found: the share of each column, what taking it would lose against the bound, the bound."""

    shares: Sequence[float]
    lost: Sequence[float]
    bound: float
    took_s: float


def _run(
    problem: Problem,
    columns: Sequence[int],
    time_limit_s: float,
    *,
    is_whole: bool,
    start: Sequence[int | None] = (),
) -> _Ran:
    """Run HiGHS over some choices, with whole numbers or without."""
    import highspy

    n_choices = len(columns)
    highs = highspy.Highs()
    for name, value in (
        ("output_flag", False),
        ("threads", 1),
        ("random_seed", 1),
        ("presolve", "off" if is_whole else "on"),  # on whole numbers it takes longer than it saves
        ("mip_rel_gap", RELATIVE_GAP),
        ("time_limit", time_limit_s),
    ):
        highs.setOptionValue(name, value)
    if highs.passModel(_programme(problem, columns, is_whole)) == highspy.HighsStatus.kError:
        raise SolverError("the solver refused the problem")
    column_of = {k: column for column, k in enumerate(columns)}
    if begun := [column_of[k] for k in start if k is not None]:
        every = np.arange(n_choices, dtype=np.int32)
        highs.setSolution(n_choices, every, np.isin(every, begun).astype(np.float64))
    if highs.run() == highspy.HighsStatus.kError:
        raise SolverError("the solver failed")
    info, solution = highs.getInfo(), highs.getSolution()
    status = highs.getModelStatus()
    is_good = info.primal_solution_status == highspy.SolutionStatus.kSolutionStatusFeasible
    if not is_good or (not is_whole and status != highspy.HighsModelStatus.kOptimal):
        raise SolverError(f"nothing found in {time_limit_s:g} s ({highs.modelStatusToString(status)})")
    return _Ran(
        shares=solution.col_value[:n_choices],
        lost=[] if is_whole else np.abs(solution.col_dual[:n_choices]).tolist(),
        bound=float(info.mip_dual_bound if is_whole else info.objective_function_value),
        took_s=float(highs.getRunTime()),
    )


def _programme(problem: Problem, columns: Sequence[int], is_whole: bool) -> Any:
    """The programme as the library takes it."""
    import highspy

    after, n_columns = _rows_after(problem, columns)
    blocks = (_job_rows(problem, columns), _slot_rows(problem, columns), after)
    lengths, entries, factors, upper = (
        np.concatenate([getattr(block, name) for block in blocks])
        for name in ("lengths", "columns", "factors", "upper")
    )
    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = n_columns, len(lengths)
    lp.sense_ = highspy.ObjSense.kMaximize
    cost = np.zeros(n_columns)
    cost[: len(columns)] = [problem.choices[k].value for k in columns]
    lp.col_cost_ = cost
    lp.col_lower_, lp.col_upper_ = np.zeros(n_columns), np.ones(n_columns)
    lp.row_lower_, lp.row_upper_ = np.full(len(lengths), -highspy.kHighsInf), upper
    lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    lp.a_matrix_.start_ = np.concatenate([[0], np.cumsum(lengths)])
    lp.a_matrix_.index_, lp.a_matrix_.value_ = entries.tolist(), factors.tolist()  # lists are read faster than arrays
    if is_whole:
        kinds = (highspy.HighsVarType.kInteger, highspy.HighsVarType.kContinuous)
        lp.integrality_ = [kinds[column >= len(columns)] for column in range(n_columns)]
    return lp
