"""The best choices found by trying every set that could still be best.

Taken alone each job has a best choice, and together they are worth at most the sum. What a good order lacks of that sum
is all that a better one may lose: mostly a few choices of each job, tried sooner than a solver is told of all.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from gonogo.decide.order.timetable import Problem, improved, inserted, objective

TRIES_AT_MOST = 10_000  # a solver is sooner done than more of them
_EQUAL_SHARE = 1e-9  # values that differ by less of the sum are equal


def best_of_few(
    problem: Problem, by_job: Mapping[int, Sequence[int]], start: Sequence[int | None] | None
) -> list[int | None] | None:
    """Return the choices that are worth most, None where it takes too many tries or others are worth the same.

    by_job   as from `ranked`; start: choices to compare with, the better the fewer tries
    """
    if any(lower > upper for lower, upper in problem.after):
        return None  # a lower job is tried before the one that waits for it
    choices = problem.choices
    alone = [choices[by_job[job][0]].value if job in by_job else 0.0 for job in range(problem.n_jobs)]
    tops = sorted((options[0] for options in by_job.values()), key=lambda k: -choices[k].value)
    known = [improved(problem, inserted(problem, tops), by_job)]
    if start is not None:
        known.append(improved(problem, start, by_job))
    return _Search(problem, by_job, alone, max(objective(problem, chosen) for chosen in known)).found()


class _Way(NamedTuple):
    """A choice of a job: what it loses against the job's best, and each machine that it takes, its slots as bits.

    k   None for a job that is not done, which always fits
    """

    loss: float
    k: int | None
    bits: tuple[tuple[int, int], ...]


class _Search:
    """Goes through the jobs in their order, each with its choices from the best on, while enough can still be reached.

    What a job after them loses at least is what the best of its choices loses that still fits.
    """

    def __init__(
        self, problem: Problem, by_job: Mapping[int, Sequence[int]], alone: Sequence[float], reached: float
    ) -> None:
        self._choices, self._n_jobs = problem.choices, problem.n_jobs
        self._most = sum(alone)
        self._equal = _EQUAL_SHARE * self._most
        self._reached = reached
        most_lost = self._may_lose()
        self._ways = [
            [
                *(_way(problem, k, most) for k in by_job.get(job, ()) if most - self._choices[k].value <= most_lost),
                _Way(loss=most, k=None, bits=()),
            ]
            for job, most in enumerate(alone)
        ]
        self._lower_of = {upper: lower for lower, upper in problem.after}
        # By machine the slots that one at least has, two at least, ... as many as there are.
        self._taken = [(0,) * count for count in problem.capacity]
        self._chosen: list[int | None] = [None] * problem.n_jobs
        self._best: list[int | None] | None = None
        self._is_only = False
        self._n_tries = 0

    def found(self) -> list[int | None] | None:
        """Return the best choices if they are the only ones, None else or where it took too many tries."""
        self._try(0, 0.0, [0] * self._n_jobs)
        return self._best if self._is_only and self._n_tries <= TRIES_AT_MOST else None

    def _try(self, job: int, lost: float, firsts: Sequence[int]) -> None:
        """Try a job and those after it. lost: by the jobs before; firsts: by job the first way that may still fit."""
        if job == self._n_jobs:
            self._keep(lost)
            return
        ways = self._ways[job]
        for n in range(firsts[job], len(ways)):
            way = ways[n]
            if self._n_tries > TRIES_AT_MOST or lost + way.loss > self._may_lose():
                return
            if self._fits(job, way):
                before = list(self._taken)
                for machine, bits in way.bits:
                    self._taken[machine] = _with(self._taken[machine], bits)
                self._chosen[job] = way.k
                still = self._still(job + 1, lost + way.loss, firsts)
                if still is not None:
                    self._try(job + 1, lost + way.loss, still)
                self._taken = before
                self._chosen[job] = None

    def _may_lose(self) -> float:
        return self._most - self._reached + self._equal

    def _fits(self, job: int, way: _Way) -> bool:
        """Whether a way of a job breaks no rule beside those of the jobs before it."""
        self._n_tries += 1
        if way.k is None:
            return True
        lower = self._lower_of.get(job)
        if lower is not None:
            below = self._chosen[lower]
            if below is None or self._choices[way.k].start < self._choices[below].ready:
                return False
        return not any(self._taken[machine][-1] & bits for machine, bits in way.bits)

    def _still(self, job: int, lost: float, firsts: Sequence[int]) -> list[int] | None:
        """Return by job the first way that still fits, None where the jobs from `job` on lose too much."""
        still = list(firsts)
        for later in range(job, self._n_jobs):
            ways, first = self._ways[later], firsts[later]
            if self._lower_of.get(later, -1) < job:  # else what it waits for has no place yet
                while not self._fits(later, ways[first]):
                    first += 1
                still[later] = first
            lost += ways[first].loss
            if lost > self._may_lose():
                return None
        return still

    def _keep(self, lost: float) -> None:
        """Keep what is chosen if nothing better is known."""
        value = self._most - lost
        if self._best is None or value > self._reached + self._equal:
            self._best, self._is_only = list(self._chosen), True
        else:
            self._is_only = False
        self._reached = max(self._reached, value)


def _way(problem: Problem, k: int, most: float) -> _Way:
    """Return a choice as a way of its job, whose best is worth `most`."""
    choice = problem.choices[k]
    bits = tuple((use.machine, (1 << use.last + 1) - (1 << use.first)) for use in choice.uses)
    return _Way(loss=most - choice.value, k=k, bits=bits)


def _with(taken: tuple[int, ...], bits: int) -> tuple[int, ...]:
    """Return slots that one at least has, two at least..., with one more in some of them."""
    more = []
    for slots in taken:
        more.append(slots | bits)
        bits &= slots
    return tuple(more)
