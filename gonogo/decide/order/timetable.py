"""Choices among ways of doing jobs, in time slots on machines: what fits, what it is worth, what can be bettered.

Time is cut into slots, numbered through the whole horizon.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

_POLISH_ROUNDS = 20


class Use(NamedTuple):
    """A machine's time: slots first to last, both taken."""

    machine: int
    first: int
    last: int


class Choice(NamedTuple):
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


def objective(problem: Problem, chosen: Sequence[int | None]) -> float:
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


class Timetable:
    """Who has which machine when; changed in place while a solution is built."""

    def __init__(self, problem: Problem, chosen: Sequence[int | None]) -> None:
        self.problem = problem
        self.chosen = list(chosen)
        self.used = np.zeros((len(problem.capacity), problem.n_slots), dtype=np.int64)
        self.lower_of = {upper: lower for lower, upper in problem.after}
        self.upper_of = dict(problem.after)
        for k in self.chosen:
            self._add(k, 1)

    def _add(self, k: int | None, n: int) -> None:
        for use in () if k is None else self.problem.choices[k].uses:
            self.used[use.machine, use.first : use.last + 1] += n

    def take(self, k: int) -> None:
        self.chosen[self.problem.choices[k].job] = k
        self._add(k, 1)

    def drop(self, job: int) -> int | None:
        """Free a job's machines; return the choice it had."""
        held = self.chosen[job]
        self._add(held, -1)
        self.chosen[job] = None
        return held

    def fits(self, k: int) -> bool:
        """Whether a choice breaks no rule beside those taken."""
        choices, choice = self.problem.choices, self.problem.choices[k]
        lower, upper = self.lower_of.get(choice.job), self.upper_of.get(choice.job)
        if lower is not None:
            below = self.chosen[lower]
            if below is None or choice.start < choices[below].ready:
                return False
        if upper is not None:
            above = self.chosen[upper]
            if above is not None and choices[above].start < choice.ready:
                return False
        capacity = self.problem.capacity
        return all(self.used[u.machine, u.first : u.last + 1].max() < capacity[u.machine] for u in choice.uses)


def inserted(problem: Problem, listed: Sequence[int]) -> list[int | None]:
    """Take choices as they are listed, each where it fits; again while one above another waits for it."""
    table = Timetable(problem, [None] * problem.n_jobs)
    for _ in range(1 + len(problem.after)):
        is_changed = False
        for k in listed:
            job = problem.choices[k].job
            if table.chosen[job] is None and table.fits(k):
                table.take(k)
                is_changed = True
        if not is_changed:
            break
    return table.chosen


def ranked(problem: Problem) -> dict[int, list[int]]:
    """Return by job its choices that are worth anything, the best first, the earliest of equals."""
    by_job: dict[int, list[int]] = {}
    for k, choice in enumerate(problem.choices):
        if choice.value > 0.0:
            by_job.setdefault(choice.job, []).append(k)
    rank = [(-choice.value, choice.start) for choice in problem.choices]
    for options in by_job.values():
        options.sort(key=rank.__getitem__)
    return by_job


def improved(problem: Problem, chosen: Sequence[int | None], by_job: Mapping[int, Sequence[int]]) -> list[int | None]:
    """Return choices in which no job can gain by itself: each takes the best of those that the others leave free.

    by_job   as from `ranked`

    The search stops short of the last ten-thousandths; what it leaves there shows as gaps between equals.
    """
    table = Timetable(problem, chosen)
    for _ in range(_POLISH_ROUNDS):
        before = list(table.chosen)
        for job in sorted(by_job, key=lambda j: _start(problem, table.chosen[j])):
            held = table.drop(job)
            least = 0.0 if held is None else problem.choices[held].value
            taken = next(filter(table.fits, _above(problem, by_job[job], least)), held)
            if taken is not None:
                table.take(taken)
        if table.chosen == before:
            break
    return table.chosen


def _above(problem: Problem, options: Sequence[int], least: float) -> Iterator[int]:
    """Yield the choices worth more than the least, of choices that stand the best first."""
    for k in options:
        if not problem.choices[k].value > least:
            return
        yield k


def _start(problem: Problem, k: int | None) -> int:
    return problem.n_slots if k is None else problem.choices[k].start
