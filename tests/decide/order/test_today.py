"""When a lift may be begun today: at once when its hours open, and then on the steps that the solver counts in."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hand_made import morning, strip, weather

from gonogo.decide.order.propose import propose
from gonogo.decide.order.today import is_testable, options_today, starts_today
from gonogo.decide.today import prepare
from gonogo.decide.verdict import decide
from gonogo.records.verdict import Verdict
from gonogo.records.work_order import Work


@pytest.mark.parametrize(
    ("first_h", "last_h", "starts_h"),
    [
        (0.0, 1.0, [0.0, 0.5, 1.0]),
        (0.53, 1.6, [0.53, 1.0, 1.5]),
        (0.99, 1.0, [0.99, 1.0]),
        (0.53, 0.53, [0.53]),
        (1.2, 1.1, []),
        (float("inf"), 1.0, []),
    ],
)
def test_starts_are_the_first_moment_and_then_the_steps_of_the_day(
    first_h: float, last_h: float, starts_h: list[float]
) -> None:
    prepared = prepare(morning())
    day_h = prepared.today.from_h
    found = [h - day_h for h in starts_today(prepared, day_h + first_h, day_h + last_h, 0.5)]
    assert found == pytest.approx(starts_h)


def test_a_watered_strip_is_begun_on_the_steps_that_all_others_end_on() -> None:
    """Its hours open when it has soaked, whenever that is; the steps after it are the day's, not its own."""
    prepared = prepare(morning(10.0))
    (decision,) = decide(prepared.inputs)
    assert decision.verdict == Verdict.WATER
    first, *rest = [o.start_h - prepared.today.from_h for o in options_today(prepared, 0, decision, 0.25)]
    assert first % 0.25 > 0.01
    assert rest
    assert [4.0 * h for h in rest] == pytest.approx([round(4.0 * h) for h in rest])


def test_no_step_lies_idle_between_strips_of_which_one_is_watered() -> None:
    """Three strips that may be rolled at once and a watered one: the roller goes from one to the next all morning."""
    strips = [strip(id=f"N{k}", name=f"N{k} field") for k in range(4)]
    inputs = morning([14.0, 14.0, 14.0, 10.0], strips=strips)
    order = propose(inputs, decide(inputs), done={}, before=None)
    hours = sorted((w.start_utc, w.end_utc) for w in order.works if w.work == Work.ROLLING)
    assert len(hours) == 4
    gaps = [(later[0] - sooner[1]).total_seconds() for sooner, later in itertools.pairwise(hours)]
    assert max(gaps) < 60.0


@pytest.mark.parametrize(("w_pct", "is_planned"), [(15.0, True), (16.5, True), (18.5, False)])
def test_a_strip_that_is_hardly_inside_is_tested_but_takes_no_roller_from_another(
    w_pct: float, is_planned: bool
) -> None:
    """Its test is asked for whatever is thought of it, and it is rolled where that finds it inside."""
    prepared = prepare(morning(w_pct, sd_pct=1.5, reading_age_h=100.0))
    (decision,) = decide(prepared.inputs)
    assert (decision.verdict, decision.reason) == (Verdict.WAIT, "reading_too_old")
    assert is_testable(prepared, decision)
    options = list(options_today(prepared, 0, decision, 0.25))
    assert bool(options) == is_planned
    assert all(option.chance >= 0.25 and option.is_after_test for option in options)


@pytest.mark.parametrize("rain_h", [None, 10])
def test_a_strip_is_not_rolled_by_a_test_that_it_rained_on_since(rain_h: int | None) -> None:
    hour_utc = weather().hour_utc
    rain_mm = np.zeros(len(hour_utc)) if rain_h is None else 2.0 * (hour_utc == np.datetime64(f"2026-06-17T{rain_h}"))
    prepared = prepare(morning(14.0, sd_pct=1.0, reading_age_h=100.0, rain_mm=rain_mm))
    (decision,) = decide(prepared.inputs)
    ends_h = [option.end_h - prepared.today.from_h for option in options_today(prepared, 0, decision, 0.25)]
    rain_begins_h = 24.0 if rain_h is None else rain_h - prepared.today.from_h % 24.0
    assert ends_h
    assert max(ends_h) + prepared.seal_h <= rain_begins_h
    assert (max(ends_h) > 6.0) == (rain_h is None)
