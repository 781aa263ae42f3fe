"""The choice among ways: as good as trying everything, within the rules, the same every time, and never in silence."""

from __future__ import annotations

import itertools
import math
import sys
from collections.abc import Iterator

import numpy as np
import pytest

from gonogo.decide.order import search
from gonogo.decide.order.solver import SolverError, solve
from gonogo.decide.order.timetable import Choice, Problem, Use, improved, objective, ranked


def drawn(seed: int, *, n_jobs: int = 4, n_slots: int = 7, n_machines: int = 2) -> Problem:
    """Return a small problem: jobs with a few ways each on machines with one or two of a kind, some above others."""
    rng = np.random.default_rng(seed)
    choices = []
    for job in range(n_jobs):
        for _ in range(int(rng.integers(1, 6))):
            length = int(rng.integers(1, 4))
            start = int(rng.integers(0, n_slots - length + 1))
            uses = [Use(machine=0, first=start, last=start + length - 1)]
            if rng.random() < 0.4:
                before = int(rng.integers(0, start + 1))
                uses.append(Use(machine=1, first=before, last=start))
            value = float(rng.choice([1.0, 2.0, 5.0, -1.0])) * float(rng.uniform(0.5, 1.5))
            ready = start + length + int(rng.integers(0, 2))
            choices.append(Choice(job=job, value=value, start=start, ready=ready, uses=tuple(uses)))
    after = tuple((job, job + 1) for job in range(n_jobs - 1) if rng.random() < 0.5)
    capacity = (int(rng.integers(1, 3)),) + (1,) * (n_machines - 1)
    return Problem(n_jobs=n_jobs, n_slots=n_slots, capacity=capacity, choices=tuple(choices), after=after)


def everything(problem: Problem) -> float:
    """Return the greatest worth by trying every combination of choices that are worth something."""
    return max(objective(problem, chosen) for chosen in combinations(problem))


def combinations(problem: Problem) -> Iterator[tuple[int | None, ...]]:
    """Return every combination of choices that are worth something."""
    by_job: list[list[int | None]] = [[None] for _ in range(problem.n_jobs)]
    for k, choice in enumerate(problem.choices):
        if choice.value > 0.0:
            by_job[choice.job].append(k)
    return itertools.product(*by_job)


def without_tries(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave every problem to the library."""
    monkeypatch.setattr(search, "TRIES_AT_MOST", 0)


@pytest.mark.parametrize("seed", range(60))
@pytest.mark.parametrize("by", ["tries", "library"])
def test_no_combination_is_better_than_the_answer(seed: int, by: str, monkeypatch: pytest.MonkeyPatch) -> None:
    if by == "library":
        without_tries(monkeypatch)
    problem = drawn(seed)
    best = everything(problem)
    found = solve(problem, 5.0)
    assert objective(problem, found.chosen) == pytest.approx(found.value)
    assert found.value == pytest.approx(best, rel=6e-4, abs=1e-9)
    assert found.bound >= best - 1e-6
    assert found.gap_frac <= 6e-4


@pytest.mark.parametrize("seed", range(60))
def test_what_tries_find_is_the_only_best(seed: int) -> None:
    problem = drawn(seed)
    best, n_best = everything(problem), 0
    for chosen in combinations(problem):
        n_best += objective(problem, chosen) > best - 1e-9
    found = search.best_of_few(problem, ranked(problem), None)
    assert (found is not None) == (n_best == 1)
    assert found is None or objective(problem, found) == pytest.approx(best)


def test_equal_choices_and_many_are_left_to_the_library() -> None:
    def way(job: int, start: int) -> Choice:
        use = Use(machine=0, first=start, last=start)
        return Choice(job=job, value=1.0, start=start, ready=start + 1, uses=(use,))

    equal = Problem(n_jobs=1, n_slots=2, capacity=(1,), choices=(way(0, 0), way(0, 1)))
    assert search.best_of_few(equal, ranked(equal), None) is None
    many = drawn(3, n_jobs=30, n_slots=60)
    assert search.best_of_few(many, ranked(many), None) is None
    assert solve(many, 5.0).value > 0.0


def test_the_search_meets_problems_in_which_the_rules_bite() -> None:
    """Without machines and order more could be had: else the test above would prove nothing."""
    bitten = 0
    for seed in range(60):
        problem = drawn(seed)
        free = sum(max([0.0, *(c.value for c in problem.choices if c.job == job)]) for job in range(problem.n_jobs))
        bitten += everything(problem) < free - 1e-9
    assert bitten > 30


def test_the_same_problem_has_the_same_answer() -> None:
    problem = drawn(7, n_jobs=8, n_slots=20)
    assert len({solve(problem, 5.0).chosen for _ in range(3)}) == 1


def test_the_answer_is_worth_no_less_than_what_it_starts_from() -> None:
    problem = drawn(11, n_jobs=8, n_slots=20)
    start = solve(problem, 5.0).chosen
    assert solve(problem, 5.0, start=start).value >= objective(problem, start)


def test_worth_refuses_what_breaks_a_rule() -> None:
    def way(job: int, start: int) -> Choice:
        return Choice(job=job, value=1.0, start=start, ready=start + 3, uses=(Use(machine=0, first=start, last=start),))

    problem = Problem(
        n_jobs=2, n_slots=8, capacity=(1,), after=((0, 1),), choices=(way(0, 1), way(1, 1), way(1, 3), way(1, 4))
    )
    assert objective(problem, (0, 3)) == 2.0
    assert objective(problem, (0, 2)) == -math.inf  # too early above
    assert objective(problem, (None, 3)) == -math.inf  # nothing below
    apart = Problem(n_jobs=2, n_slots=8, capacity=(1,), choices=problem.choices)
    assert objective(apart, (0, 1)) == -math.inf  # one machine, one slot
    assert objective(apart, (0, 2)) == 2.0
    assert solve(problem, 5.0).chosen == (0, 3)


def test_a_gap_that_the_search_leaves_is_closed_job_by_job() -> None:
    def way(start: int) -> Choice:
        use = Use(machine=0, first=start, last=start)
        return Choice(job=0, value=1.0 - 1e-5 * start, start=start, ready=start + 1, uses=(use,))

    problem = Problem(n_jobs=1, n_slots=9, capacity=(1,), choices=tuple(way(k) for k in range(9)))
    assert improved(problem, (5,), ranked(problem)) == [0]
    assert improved(problem, (None,), ranked(problem)) == [0]


def test_nothing_worth_doing_is_not_done() -> None:
    lost = Choice(job=0, value=-1.0, start=0, ready=1, uses=(Use(machine=0, first=0, last=0),))
    found = solve(Problem(n_jobs=1, n_slots=1, capacity=(1,), choices=(lost,)), 5.0)
    assert (found.chosen, found.value, found.bound, found.gap_frac) == ((None,), 0.0, 0.0, 0.0)


def test_a_library_that_is_not_there_is_an_error_of_ours(monkeypatch: pytest.MonkeyPatch) -> None:
    without_tries(monkeypatch)
    monkeypatch.setitem(sys.modules, "highspy", None)
    with pytest.raises(SolverError, match="highspy"):
        solve(drawn(1), 5.0)


def test_no_time_gives_an_error_or_the_start_and_never_a_wrong_answer() -> None:
    problem = drawn(3, n_jobs=30, n_slots=60)
    start = tuple([None] * 30)
    try:
        found = solve(problem, 1e-6, start=start)
    except SolverError:
        return
    assert objective(problem, found.chosen) == found.value <= found.bound
