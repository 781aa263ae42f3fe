"""Today's work, piece by piece: testing, watering, soaking and mixing, damping, rolling, disking, spreading."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta

from gonogo import times
from gonogo.decide import rolling
from gonogo.decide.order.coming_lift import SPREAD_H
from gonogo.decide.order.today import BREAK_UP_H, TEST_H, is_broken_up_first, is_testable
from gonogo.decide.plan.basis import Basis, rolling_today
from gonogo.decide.plan.damping import dampings
from gonogo.decide.plan.new_lift import new_lift
from gonogo.decide.plan.test_first import test_of
from gonogo.decide.plan.way_back import way_back
from gonogo.decide.standing import ORDER_STANDS
from gonogo.decide.water.evening import FOR_TOMORROW
from gonogo.decide.water.watering import DRY_CRUST, soaking_h
from gonogo.records.day_plan import Job, Task
from gonogo.records.verdict import Decision, Verdict, WaterPlan
from gonogo.records.work_order import PlannedWork

DISK_H = 0.75  # a strip of usual size is disked in about so long: common practice


def jobs(basis: Basis) -> tuple[Job, ...]:
    """Return today's work by start. An order of this day that stands keeps its jobs as they were told."""
    damped = dampings(basis)
    found = [job for s in range(len(basis.inputs.strips)) for job in _of_strip(basis, s, damped)]
    return tuple(sorted(found, key=lambda j: (j.start_utc, j.end_utc, j.crew_id, j.strip_id)))


def _of_strip(basis: Basis, s: int, damped: Mapping[str, WaterPlan]) -> Iterator[Job]:
    strip = basis.inputs.strips[s]
    decision = basis.decisions[strip.id]
    order = basis.inputs.orders.get(strip.id)
    if order is not None and decision.rule_id == ORDER_STANDS:
        yield from order.jobs
        return
    work = rolling_today(basis, strip.id)
    rolled = None if work is None else _rolling(basis, work, decision)
    lift = basis.done.get(strip.id, 0) + 1
    coming = new_lift(basis, s)
    is_spread = coming is not None and coming.spread_utc is not None and not coming.is_if_rolled
    if is_spread and coming is not None and coming.spread_utc is not None and coming.test is not None:
        yield _by_hand(basis, Task.SPREAD, strip.id, lift, coming.spread_utc, SPREAD_H)
        yield _by_hand(basis, Task.TEST, strip.id, lift, coming.spread_utc + timedelta(hours=SPREAD_H), TEST_H)
    elif is_testable(basis.prepared, decision):
        test = test_of(basis, s, decision, rolled)
        if test is not None and test.by_utc is not None:
            tested_utc = test.by_utc - timedelta(hours=TEST_H)
            if is_broken_up_first(basis.inputs, s):
                opened_utc = tested_utc - timedelta(hours=BREAK_UP_H)
                yield _by_hand(basis, Task.DISK, strip.id, lift, opened_utc, BREAK_UP_H)
            yield _by_hand(basis, Task.TEST, strip.id, lift, tested_utc, TEST_H)
    if decision.verdict == Verdict.WATER and decision.water is not None and work is not None:
        yield from _watering(basis, decision, lift, work)
    if decision.reason == FOR_TOMORROW and decision.water is not None:
        yield _spraying(basis, Task.WATER, decision, decision.water, lift)
        soaked = _by_hand(basis, Task.SOAK, strip.id, lift, decision.water.finish_utc, basis.inputs.soak_h(strip))
        mixed = _by_hand(basis, Task.MIX, strip.id, lift, decision.water.finish_utc, DISK_H)
        yield mixed if is_mixed_in(basis, decision) else soaked
    if strip.id in damped:
        yield _spraying(basis, Task.DAMP, decision, damped[strip.id], lift)
    back = way_back(basis, s)
    for at_utc in () if back is None or back.is_hopeless else back.disk_utc:
        if times.local_date(at_utc, basis.site.zone) == basis.inputs.day:
            yield _by_hand(basis, Task.DISK, strip.id, lift, at_utc, DISK_H)
    if rolled is not None:
        yield rolled


def is_mixed_in(basis: Basis, decision: Decision) -> bool:
    """Return whether told water is mixed into the lift: not a light dose on a dry top, nor clean sand, which drains."""
    is_sand = basis.inputs.material(basis.site.strip(decision.strip_id)).is_granular
    return decision.reason != DRY_CRUST and not is_sand


def _by_hand(basis: Basis, task: Task, strip_id: str, lift: int, start_utc: datetime, lasts_h: float) -> Job:
    """A job of a machine that the config does not name."""
    return Job(
        task=task,
        strip_id=strip_id,
        lift=lift,
        crew_id=basis.site.strip(strip_id).crew_id,
        machine_id="",
        start_utc=start_utc,
        end_utc=start_utc + timedelta(hours=lasts_h),
    )


def _rolling(basis: Basis, work: PlannedWork, decision: Decision) -> Job:
    strip = basis.site.strip(work.strip_id)
    roller = basis.inputs.roller(strip)
    return Job(
        task=Task.ROLL,
        strip_id=work.strip_id,
        lift=work.lift,
        crew_id=work.crew_id,
        machine_id=roller.id,
        start_utc=work.start_utc,
        end_utc=work.end_utc,
        latest_utc=decision.until_utc,
        is_after_test=decision.verdict != Verdict.COMPACT,
        chance=work.chance,
        passes=roller.passes if strip.passes is None else strip.passes,
        lanes=rolling.lanes(strip.width_m, roller),
    )


def _watering(basis: Basis, decision: Decision, lift: int, work: PlannedWork) -> Iterator[Job]:
    """Yield the truck's time on a strip, mixing and soaking in, and the test before it is rolled."""
    water = decision.water
    assert water is not None
    is_crust = decision.reason == DRY_CRUST
    soak_h = soaking_h(basis.inputs, basis.site.strip(decision.strip_id), is_crust=is_crust)
    yield _spraying(basis, Task.WATER, decision, water, lift)
    if is_mixed_in(basis, decision):
        yield _by_hand(basis, Task.MIX, decision.strip_id, lift, water.finish_utc, min(DISK_H, soak_h))
    yield _by_hand(basis, Task.SOAK, decision.strip_id, lift, water.finish_utc, soak_h)
    tested_utc = max(work.start_utc - timedelta(hours=TEST_H), water.finish_utc)
    yield _by_hand(basis, Task.TEST, decision.strip_id, lift, tested_utc, TEST_H)


def _spraying(basis: Basis, task: Task, decision: Decision, water: WaterPlan, lift: int) -> Job:
    by_utc = None
    if task == Task.WATER and decision.until_utc is not None:
        is_crust = decision.reason == DRY_CRUST
        soak_h = soaking_h(basis.inputs, basis.site.strip(decision.strip_id), is_crust=is_crust)
        before = timedelta(hours=decision.rolling_time_h + soak_h)
        by_utc = max(decision.until_utc - before, water.finish_utc)
    return Job(
        task=task,
        strip_id=decision.strip_id,
        lift=lift,
        crew_id=basis.site.strip(decision.strip_id).crew_id,
        machine_id=water.truck_id,
        start_utc=water.start_utc,
        end_utc=water.finish_utc,
        latest_utc=by_utc,
        litres=water.litres,
        water=water,
    )
