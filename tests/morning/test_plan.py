"""The plan of a run: kept with it, told against the one before, and never in the way of a verdict."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from functools import partial
from pathlib import Path

import pytest
import sqlalchemy as sa
from example_mornings import example_config, example_frame, opened, recorded, run_example

from gonogo.cli import demo
from gonogo.config import Config
from gonogo.decide.order import propose
from gonogo.moisture.lift_history import lifts_done
from gonogo.morning import compute, plan, previous
from gonogo.morning.previous import StoredInputs
from gonogo.morning.run import MorningResult
from gonogo.records.day_plan import Task
from gonogo.records.field import Reading, SurfaceWork
from gonogo.records.site import Strip
from gonogo.records.verdict import Verdict
from gonogo.records.work_order import Work
from gonogo.store import history, runs, schema
from gonogo.store.encoding import encoded
from gonogo.store.history import Arrival

STRIP_ID = "S1"


@dataclass(frozen=True)
class First:
    """The example's first morning, run once for all tests that look at it."""

    config: Config
    store: sa.Engine
    result: MorningResult


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> Iterator[First]:
    config = example_config(tmp_path_factory.mktemp("first"))
    store = opened(config)
    yield First(config=config, store=store, result=run_example(config, store))
    store.dispose()


def rolled(hours_ago: float, what: str = "rolled") -> SurfaceWork:
    return SurfaceWork(strip_id=STRIP_ID, at_utc=demo.MORNING_UTC - timedelta(hours=hours_ago), work=what)


@pytest.fixture
def strip(first: First) -> Strip:
    return first.config.sites[0].strip(STRIP_ID)


def test_lifts_are_counted_by_what_was_rolled(strip: Strip) -> None:
    now = demo.MORNING_UTC
    assert lifts_done(strip, (), now) == 0
    assert lifts_done(strip, (rolled(30), rolled(28)), now) == 1
    assert lifts_done(strip, (rolled(30), rolled(20, "spread"), rolled(10)), now) == 2
    assert lifts_done(strip, (rolled(10), rolled(20, "spread"), rolled(30)), now) == 2
    assert lifts_done(strip, (rolled(30, "spread"), rolled(20, "disked"), rolled(-5)), now) == 0


def test_the_order_is_stored_with_its_run_number_by_number(first: First) -> None:
    result = first.result
    assert result.conclusion.order is not None
    with schema.read(first.store) as connection:
        kept = runs.work_order(connection, result.run_id)
    # Unknown chances are NaN, which equals nothing: compared as they are written.
    assert encoded(kept) == encoded(result.conclusion.order)
    assert any(w.work == Work.ROLLING for w in result.conclusion.order.works)


def test_the_day_plan_is_stored_with_its_run_number_by_number(first: First) -> None:
    told = first.result.conclusion.plan
    with schema.read(first.store) as connection:
        (kept,) = runs.day_plans(connection, told.site_id, since_day=demo.DAY, until_day=demo.DAY)
        assert runs.day_plans(connection, "elsewhere", since_day=demo.DAY, until_day=demo.DAY) == ()
    assert encoded(kept) == encoded(told)
    assert {s.strip_id for s in told.strips} == {s.id for s in first.config.sites[0].strips}
    assert any(job.task == Task.ROLL for job in told.jobs)


def test_the_demo_gains_on_the_order_given(first: First) -> None:
    found = first.result.conclusion.order
    assert found.method == "solver"
    assert found.gap_frac <= 0.001
    assert found.expected_area_m2 > 0.95 * found.given_order_area_m2 > 0.0  # an earlier start may cost a little chance


def test_todays_plan_and_todays_verdicts_agree(first: First) -> None:
    conclusion = first.result.conclusion
    waiting = {d.strip_id for d in conclusion.decisions if d.verdict == Verdict.WAIT}
    watered = {d.strip_id for d in conclusion.decisions if d.verdict == Verdict.WATER}
    today = [w for w in conclusion.order.works if "today" in w.flags]
    # A strip that waits for a test may have its place today, on the condition of the test.
    assert not waiting & {w.strip_id for w in today if "test_first" not in w.flags}
    assert watered == {w.strip_id for w in today if w.work == Work.WATERING and "test_first" not in w.flags}


def test_a_first_morning_has_nothing_to_compare_with_and_the_next_has(first: First) -> None:
    config, store = first.config, first.store
    assert first.result.conclusion.changes is None
    later_utc = demo.MORNING_UTC + timedelta(days=1)
    wet = Reading(strip_id=STRIP_ID, at_utc=later_utc - timedelta(hours=2), w_pct=17.0, method="oven")
    with schema.begin(store) as connection:
        history.add_entry(connection, config.sites[0].id, wet, Arrival(entered_utc=wet.at_utc, entered_by="test"))
    second = run_example(
        config,
        store,
        day=demo.DAY + timedelta(days=1),
        now_utc=later_utc,
        deadline_utc=later_utc + timedelta(hours=4),
        fetch=partial(recorded, fetched_utc=later_utc - timedelta(hours=12)),
    )
    (told,) = [c for c in second.conclusion.changes if c.strip_id == STRIP_ID and c.what == "verdict"]
    assert (told.before, told.after, told.why[0].key) == ("compact", "wait", "reading")
    assert told.why[0].numbers["reading_w_pct"] == 17.0


def test_an_order_that_cannot_be_read_costs_only_the_comparison(first: First) -> None:
    result = first.result
    with first.store.connect() as connection:  # rolled back: the other tests keep the order
        connection.execute(sa.update(schema.work_order).values(record='{"works": 7}'))
        earlier = previous.previous_runs(connection, first.config.sites[0], demo.DAY + timedelta(days=1))
    assert earlier.order is None
    assert earlier.last.order is None
    assert [d.verdict for d in earlier.last.decisions] == [d.verdict for d in result.conclusion.decisions]


@pytest.mark.parametrize("broken", ["solve", "lifts_to_do"])
def test_whatever_fails_in_the_plan_the_verdicts_and_the_mails_stand(
    tmp_path: Path, first: First, monkeypatch: pytest.MonkeyPatch, broken: str
) -> None:
    good = first.result

    def fails(*_: object, **__: object) -> None:
        raise propose.SolverError("it failed") if broken == "solve" else RuntimeError("it failed")

    monkeypatch.setattr(propose, broken, fails)
    other = example_config(tmp_path)
    other_store = opened(other)
    result = run_example(other, other_store)
    other_store.dispose()
    assert [d.verdict for d in result.conclusion.decisions] == [d.verdict for d in good.conclusion.decisions]
    assert result.conclusion.has_verdict
    assert len(result.mails) == len(good.mails)
    assert any("it failed" in fault for fault in result.conclusion.faults)
    assert (result.conclusion.order is None) is (broken == "lifts_to_do")


def test_without_a_verdict_the_plan_holds_the_last_tests_alone(first: First) -> None:
    frame = example_frame(first.config, first.store)
    entries = first.config.readings[frame.site.id]
    nothing = compute.without_verdict(frame.site, "no forecast", "no_forecast")
    made = plan.planned(frame, nothing, StoredInputs(entries=entries))
    assert (made.order, made.changes, made.plan.jobs, made.plan.is_knowable) == (None, None, (), False)
    assert {s.verdict for s in made.plan.strips} == {Verdict.WAIT}
    tested = {r.strip_id: r.w_pct for r in sorted(entries, key=lambda r: r.at_utc)}
    assert {s.strip_id: s.last_test.w_pct for s in made.plan.strips if s.last_test} == tested
