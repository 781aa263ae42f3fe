"""What the end of a shift, a soaking lift and the weather of the hours between leave of a day."""

from __future__ import annotations

from dataclasses import replace
from datetime import time, timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hand_made import at, hourly, morning, row, strip
from views_of_plan import recheck, scene

from gonogo import times
from gonogo.decide.dry_back import DAYS_AT_MOST, disk_hours
from gonogo.decide.order.today import TEST_H, test_done_h
from gonogo.decide.plan import test_first as first
from gonogo.decide.today import prepare
from gonogo.decide.verdict import decide
from gonogo.decide.windows import epoch_h
from gonogo.moisture.unknown_work import ToldWork
from gonogo.records.day_plan import StripPlan, Task, Then
from gonogo.records.verdict import Verdict


def test_a_wet_lift_is_disked_on_four_days_at_most() -> None:
    inputs = morning(20.0)
    days = {times.local_date(at_utc, inputs.site.zone) for at_utc in disk_hours(inputs)}
    assert len(days) == DAYS_AT_MOST == 4


def test_a_lift_is_not_tested_while_its_water_soaks_in() -> None:
    inputs = replace(morning(14.0, sd_pct=2.0), last_water_utc={"N1": at(9.0)})
    soak_h = inputs.soak_h(inputs.strips[0])
    assert soak_h > 0.0
    assert test_done_h(prepare(inputs), 0) == pytest.approx(epoch_h(at(9.0)) + soak_h + TEST_H)


@pytest.mark.parametrize(("litres", "over_h"), [(1000.0, 1.0), (40_000.0, 2.5)])
def test_a_lift_is_not_tested_while_the_truck_may_still_put_on_what_was_told(litres: float, over_h: float) -> None:
    """Its told hours, or as long as its loads take; nobody recorded it, so neither is known."""
    dosed = ToldWork(
        strip_id="N1", task=Task.WATER, lift=1, told_utc=at(5.5), start_utc=at(8.0), end_utc=at(9.0), litres=litres,
        chance=0.7,
    )  # fmt: skip
    inputs = replace(morning(14.0, sd_pct=2.0), told_water={"N1": dosed})
    soak_h = inputs.soak_h(inputs.strips[0])
    found_h = test_done_h(prepare(inputs), 0) - epoch_h(at(8.0)) - soak_h - TEST_H
    assert found_h == pytest.approx(1.0) if over_h == 1.0 else found_h > over_h


def told(shift_end: time) -> StripPlan | None:
    strips = [strip(id="N1", name="N1 field")]
    return scene(morning(14.0, sd_pct=3.0, strips=strips, on_site={"shift_end": shift_end})).plan.strip("N1")


def test_a_dry_result_calls_the_truck_while_the_shift_leaves_time_to_soak_roll_and_seal() -> None:
    """The shortest shift, to a quarter of an hour, in which a dry result orders water."""
    for quarters in range(4 * 8, 4 * 18):
        plan = told(time(quarters // 4, 15 * (quarters % 4)))
        if plan is not None and plan.test is not None and plan.test.below == Then.WATER:
            break
    else:
        pytest.fail("no shift was long enough")
    inputs = morning(14.0, sd_pct=3.0, strips=[strip(id="N1", name="N1 field")])
    prepared = prepare(inputs)
    assert plan.test.by_utc is not None
    after_test_h = inputs.soak_h(inputs.strips[0]) + TEST_H + prepared.rolling_h[0] + prepared.seal_h
    left_h = epoch_h(at(quarters / 4.0)) - epoch_h(plan.test.by_utc) - after_test_h
    assert 0.0 < left_h < first.SPRAY_H + 0.5  # the truck's own time, and the step of a quarter of an hour


def test_an_order_under_way_is_taken_back_where_the_lift_has_grown_too_wet() -> None:
    strips = [strip(id="N1", name="N1 field")]
    before = scene(morning(14.0, strips=strips))
    rolling = before.plan.rolling("N1")
    assert rolling is not None
    begun_utc = rolling.start_utc + timedelta(minutes=15)
    stands = recheck(before, begun_utc).plan.strip("N1")
    assert stands is not None
    assert stands.verdict == Verdict.COMPACT
    wet = recheck(replace(before, inputs=morning(19.0, strips=strips)), begun_utc).plan
    found = wet.strip("N1")
    assert found is not None
    assert (found.verdict, found.reason) == (Verdict.WAIT, "too_wet")
    assert not [job for job in wet.jobs_of("N1") if job.task == Task.ROLL and job.end_utc > begun_utc]


def test_no_water_is_ordered_that_can_ice_before_it_has_soaked_in() -> None:
    (mild,) = decide(morning(9.0))
    assert mild.verdict == Verdict.WATER
    assert mild.water is not None
    assert mild.from_utc is not None
    soaking = hourly(15.0)
    hours = np.arange(row(8.0), row(9.0) + 1)
    assert mild.water.start_utc <= at(8.0)
    assert at(9.0) < mild.from_utc
    soaking[hours] = -3.0
    (icy,) = decide(morning(9.0, sky={"temp_degc": soaking, "surface_temp_degc": soaking}))
    if icy.verdict == Verdict.WATER:
        assert icy.water is not None
        assert icy.water.start_utc > at(9.0)


def day(rolling_h: float = 1.0) -> Any:
    """The parts of a plan's basis that say when a strip may be disked and tested."""
    inputs = morning(20.0)
    prepared = replace(prepare(inputs), rolling_h=np.array([rolling_h]))
    return SimpleNamespace(inputs=inputs, prepared=prepared, shift_utc=(at(7.0), at(17.0)))


@pytest.mark.parametrize(
    ("test_h", "disked_h"), [(None, [9.0, 13.0]), (8.0, [9.0, 13.0]), (10.0, [10.0, 13.0]), (11.5, [13.0]), (15.5, [])]
)
def test_a_strip_is_disked_at_the_usual_hours_that_its_test_leaves(test_h: float | None, disked_h: list[float]) -> None:
    found = first.disk_hours_after(day(), None if test_h is None else at(test_h))
    assert found == tuple(at(hour) for hour in disked_h)


def test_a_disked_strip_is_tested_after_the_first_and_the_last_disking_where_it_can_still_be_rolled() -> None:
    basis = day()
    (own,) = basis.inputs.strips
    hours = (at(9.0), at(13.0))
    last = at(13.0) + timedelta(hours=first.AFTER_LAST_DISK_H)
    assert first.tests_after(basis, own, hours) == (at(11.0), last)
    assert first.tests_after(basis, own, hours[1:]) == (last, None)
    assert first.tests_after(basis, own, ()) == (None, None)
    seal_h = basis.prepared.seal_h
    just_fits_h = 17.0 - seal_h - TEST_H - (13.0 + first.AFTER_LAST_DISK_H)
    assert first.tests_after(day(just_fits_h), own, hours) == (at(11.0), last)
    assert first.tests_after(day(just_fits_h + 0.1), own, hours) == (at(11.0), None)
