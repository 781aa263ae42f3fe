"""A right lift is damped while it is rolled, never before or after, by a truck that has the time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hand_made import morning, strip
from views_of_plan import scene

from gonogo.records.day_plan import DayPlan, Task


def rolled_and_damped(plan: DayPlan) -> int:
    """Check every damping against its rolling and against the truck's other work; return how many there are."""
    sprayed = [job for job in plan.jobs if job.task in (Task.WATER, Task.DAMP)]
    damped = [job for job in sprayed if job.task == Task.DAMP]
    for job in damped:
        rolling = plan.rolling(job.strip_id)
        assert rolling is not None
        assert rolling.start_utc <= job.start_utc < job.end_utc <= rolling.end_utc
    for job in sprayed:
        for other in sprayed:
            if other is not job and other.machine_id == job.machine_id:
                assert other.end_utc < job.start_utc or job.end_utc < other.start_utc
    return len(damped)


def test_right_lifts_in_strong_evaporation_are_damped_while_the_roller_is_on_them() -> None:
    strips = [strip(id=name, name=f"{name} field", length_m=97.0) for name in ("N1", "N2", "N3")]
    told = scene(morning([14.0] * 3, strips=strips, et0_mm=0.7))
    assert rolled_and_damped(told.plan) == 3


def test_on_a_day_with_watering_too_no_lift_is_damped_that_is_not_being_rolled() -> None:
    rng = np.random.default_rng(3)
    n_damped = 0
    for _ in range(6):
        strips = [strip(id=f"N{k}", name=f"N{k} field", length_m=float(rng.uniform(60.0, 120.0))) for k in range(5)]
        told = scene(morning(list(rng.uniform(11.0, 15.0, 5)), strips=strips, et0_mm=0.7))
        n_damped += rolled_and_damped(told.plan)
    assert n_damped > 3


def test_a_lift_that_no_truck_reaches_while_it_is_rolled_is_not_damped() -> None:
    inputs = morning([14.0, 9.0], strips=[strip(id="N1"), strip(id="N2", length_m=400.0)], et0_mm=0.7)
    told = scene(inputs)
    assert told.plan.rolling("N1") is not None
    far = replace(
        inputs,
        site=replace(
            inputs.site,
            crews=tuple(replace(crew, truck=replace(crew.truck, travel_time_min=600.0)) for crew in inputs.site.crews),
        ),
    )
    assert rolled_and_damped(scene(far).plan) == 0
