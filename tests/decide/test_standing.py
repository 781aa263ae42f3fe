"""What an earlier run of today told stands; what it told of the lift below is no order of the lift on top."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import hand_made
import pytest

from gonogo.decide.plan import still_told
from gonogo.decide.plan.strips import waiting
from gonogo.decide.standing import Standing, standing
from gonogo.decide.verdict import as_told, decide
from gonogo.moisture.lift_history import LiftHistory
from gonogo.moisture.unknown_work import ToldWork
from gonogo.records.day_plan import DayPlan, DryBack, Half, NewLift, NextTry, StripPlan, Task, TestFirst, Then
from gonogo.records.field import Reading
from gonogo.records.verdict import Verdict

TOLD = datetime(2026, 5, 12, 10, tzinfo=UTC)


@pytest.mark.parametrize(
    ("task", "lift", "stands"), [(Task.WATER, 1, True), (Task.WATER, 2, False), (Task.ROLL, 2, True)]
)
def test_water_of_a_lift_spread_since_is_asked_for_and_no_order_of_the_old_one_stands_for_it(
    task: Task, lift: int, stands: bool
) -> None:
    told = SimpleNamespace(strip_id="N1", lift=1, as_it_lies=lambda *_: told)
    plan = DayPlan(
        site_id="site", day=TOLD.date(), edition="morning", made_utc=TOLD, shift_start_utc=TOLD, shift_end_utc=TOLD,
        next_shift_utc=None, is_knowable=True, strips=(told,), jobs=(), sealings=(), rain=(),  # type: ignore[arg-type]
        fallen_mm=0.0, fallen_since_utc=None,
    )  # fmt: skip
    hour = timedelta(hours=1)
    work = ToldWork(
        strip_id="N1", task=task, lift=lift, told_utc=TOLD, start_utc=TOLD + hour, end_utc=TOLD + 2 * hour,
        litres=0.0, chance=0.7,
    )  # fmt: skip
    assert ("N1" in standing([plan], [(work, 0.7)], TOLD.date(), {"N1": None})) == stands


@pytest.mark.parametrize(("spread_h", "lift", "why"), [(None, 1, None), (-1.0, 1, None), (0.5, 2, "new_lift")])
def test_what_was_told_of_a_lift_to_be_spread_is_told_of_the_one_that_lies_there_once_it_is(
    spread_h: float | None, lift: int, why: str | None
) -> None:
    """A re-check told a crew to spread the lift again that it had spread and tested, and named 0.0 % compaction."""
    test = TestFirst(
        why="new_lift", by_utc=TOLD, low_pct=11.0, high_pct=13.0, inside=Then.ROLL, below=Then.CALL, above=Then.HOLD
    )
    coming = NewLift(
        lift=2, is_assumed=False, is_rework=False, w_pct=12.0, thickness_m=0.25, spread_utc=TOLD, stop="", test=test,
        roll_by_utc=None,
    )  # fmt: skip
    told = replace(told_plan(), test=None, new_lift=coming, chance_in_window=0.8)
    lies = told.as_it_lies(TOLD, None if spread_h is None else TOLD + timedelta(hours=spread_h))
    assert (lies.lift, None if lies.test is None else lies.test.why) == (lift, why)
    assert (lies.new_lift is None) == (lift == 2)
    assert math.isnan(lies.chance_in_window) == (lift == 2)  # it was of the lift below


@pytest.mark.parametrize(
    ("told_reason", "verdict", "said"),
    [
        ("lift_accepted", Verdict.WAIT, "no_reading"),
        ("density_failed", Verdict.COMPACT, "too_uncertain"),
        ("reading_too_old", Verdict.WAIT, "reading_too_old"),
    ],
)
def test_a_reason_of_the_lift_before_is_not_repeated_of_the_one_that_lies_there(
    told_reason: str, verdict: Verdict, said: str
) -> None:
    inputs = hand_made.morning()
    fresh = replace(decide(inputs)[0], verdict=verdict, reason="no_reading" if verdict == Verdict.WAIT else "in_window")
    told = replace(told_plan(), verdict=Verdict.WAIT, reason=told_reason)
    order = Standing(told=told, jobs=(), told_utc=inputs.now_utc - timedelta(hours=1))
    assert as_told(fresh, order, inputs).reason == said


def told_plan() -> StripPlan:
    """What a morning without a verdict says of the first strip by hand: its lift 1 waits."""
    decision = decide(hand_made.morning())[0]
    history = LiftHistory(readings=(), waterings=(), works=())
    site = hand_made.site((hand_made.strip(),))
    return waiting(site, site.strips[0], decision, history, 0)


@pytest.mark.parametrize(
    ("results", "why"),
    [
        ([], "no_reading"),
        ([12.0], "result_in"),
        ([9.0], "result_in"),
        ([10.5], "no_reading"),
        ([10.5, 11.7], "result_in"),
    ],
)
def test_a_test_is_asked_for_until_its_result_or_the_second_at_an_edge_is_in(results: list[float], why: str) -> None:
    test = TestFirst(
        why="no_reading", by_utc=TOLD, low_pct=11.0, high_pct=13.0, again_from_pct=10.0, again_to_pct=14.0,
        mean_low_pct=10.8, mean_high_pct=13.2, inside=Then.ROLL, below=Then.WATER, above=Then.HOLD,
    )  # fmt: skip
    made = [
        Reading(strip_id="N1", at_utc=TOLD + timedelta(minutes=30 * n), w_pct=w_pct, method="nuclear gauge")
        for n, w_pct in enumerate([12.0, *results])  # the first is what the mail knew
    ]
    basis = SimpleNamespace(
        histories={"N1": LiftHistory(readings=tuple(made), waterings=(), works=())},
        inputs=SimpleNamespace(now_utc=TOLD + timedelta(hours=6)),
    )
    order = SimpleNamespace(told=SimpleNamespace(strip_id="N1", test=test), told_utc=TOLD)
    found = still_told.test(basis, order)  # type: ignore[arg-type]
    assert found is not None
    assert (found.why, found.by_utc) == (why, None)


def at(hours: float) -> datetime:
    return TOLD + timedelta(hours=hours)


@pytest.mark.parametrize(("now_h", "by_h"), [(0.5, 1.0), (1.0, None), (3.0, None)])
def test_what_stands_is_told_without_the_hour_by_which_its_test_was_wanted_once_that_is_over(
    now_h: float, by_h: float | None
) -> None:
    test = TestFirst(
        why="no_reading", by_utc=at(1.0), low_pct=11.0, high_pct=13.0, inside=Then.ROLL, below=Then.WATER,
        above=Then.HOLD,
    )  # fmt: skip
    lift = NewLift(
        lift=2, is_assumed=False, is_rework=False, thickness_m=0.25, w_pct=12.0, stop="", spread_utc=at(0.0),
        roll_by_utc=at(8.0), test=test,
    )  # fmt: skip
    histories = {"N1": LiftHistory(readings=(), waterings=(), works=())}
    basis: Any = SimpleNamespace(histories=histories, inputs=SimpleNamespace(now_utc=at(now_h)))
    order: Any = SimpleNamespace(told=SimpleNamespace(strip_id="N1", test=test, new_lift=lift), told_utc=TOLD)
    coming = still_told.new_lift(basis, order)
    assert coming is not None
    for found in (still_told.test(basis, order), coming.test):
        assert found is not None
        assert found.by_utc == (None if by_h is None else at(by_h))


@pytest.mark.parametrize(
    ("now_h", "disked_h", "tests_h"),
    [
        (0.0, (1.0, 5.0), (4.0, 6.5)),
        (1.0, (5.0,), (4.0, 6.5)),  # whether it was disked is asked
        (4.0, (5.0,), (6.5,)),
        (6.0, (), (6.5,)),
        (7.0, (), ()),
    ],
)
def test_of_a_way_back_that_stands_only_what_is_left_is_told(
    now_h: float, disked_h: tuple[float, ...], tests_h: tuple[float, ...]
) -> None:
    ready = NextTry(day=TOLD.date(), half=Half.MORNING, at_utc=at(4.0), chance=0.6, after="disk")
    back = DryBack(
        disk_utc=(at(1.0), at(5.0)), ready=ready, chance=0.6, is_hopeless=False, low_pct=11.0, high_pct=13.0,
        again_late_utc=at(6.5),
    )  # fmt: skip
    basis: Any = SimpleNamespace(inputs=SimpleNamespace(now_utc=at(now_h)))
    found = still_told.dry_back(basis, SimpleNamespace(told=SimpleNamespace(dry_back=back)))  # type: ignore[arg-type]
    assert found is not None
    assert found.disk_utc == tuple(at(hour) for hour in disked_h)
    told = [
        *([] if found.ready is None else [found.ready.at_utc]),
        *([found.again_late_utc] if found.again_late_utc else []),
    ]
    assert told == [at(hour) for hour in tests_h]
