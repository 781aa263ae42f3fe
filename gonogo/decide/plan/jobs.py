"""Today's work, piece by piece, from the verdicts and the order of work."""

from __future__ import annotations

import math
from datetime import timedelta

from gonogo import times
from gonogo.decide.plan.basis import Basis
from gonogo.records.day_plan import Job, Task
from gonogo.records.verdict import Decision, Verdict
from gonogo.records.work_order import PlannedWork, Work


def jobs(basis: Basis) -> tuple[Job, ...]:
    """Return today's work by start: water with mixing and soaking before it is rolled, damping while it is."""
    found: list[Job] = []
    today = [w for w in basis.order.works if times.local_date(w.start_utc, basis.site.zone) == basis.inputs.day]
    for work in today:
        decision = basis.decisions.get(work.strip_id)
        if decision is None:
            continue
        if work.work == Work.ROLLING:
            found.append(_rolling(basis, work, decision))
        elif work.work == Work.WATERING and decision.verdict == Verdict.WATER:
            found += _watering(basis, work, decision)
    lifts = {w.strip_id: w.lift for w in reversed(today)}
    for strip_id, decision in basis.decisions.items():
        if decision.verdict == Verdict.COMPACT and decision.water is not None:
            found.append(_damping(basis, decision, lifts.get(strip_id, basis.done.get(strip_id, 0) + 1)))
    return tuple(sorted(found, key=lambda j: (j.start_utc, j.end_utc, j.crew_id, j.strip_id)))


def _rolling(basis: Basis, work: PlannedWork, decision: Decision) -> Job:
    strip = basis.site.strip(work.strip_id)
    roller = basis.site.crew(work.crew_id).roller
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
        lanes=math.ceil(strip.width_m / max(roller.rolled_width_m - roller.overlap_m, 1e-6) - 1e-9),
    )


def _watering(basis: Basis, work: PlannedWork, decision: Decision) -> list[Job]:
    """Return the truck's time on a strip, and the soaking in with mixing that follows."""
    water = decision.water
    if water is None:
        return []
    soak = timedelta(hours=basis.inputs.setting("soak_in_h"))
    by_utc = None
    if decision.until_utc is not None:
        by_utc = decision.until_utc - timedelta(hours=decision.rolling_time_h) - soak
    put_on = Job(
        task=Task.WATER,
        strip_id=work.strip_id,
        lift=work.lift,
        crew_id=work.crew_id,
        machine_id=water.truck_id,
        start_utc=water.start_utc,
        end_utc=water.finish_utc,
        latest_utc=by_utc,
        litres=water.litres,
        water=water,
    )
    soaking = Job(
        task=Task.SOAK,
        strip_id=work.strip_id,
        lift=work.lift,
        crew_id=work.crew_id,
        machine_id="",
        start_utc=water.finish_utc,
        end_utc=water.finish_utc + soak,
    )
    return [put_on, soaking]


def _damping(basis: Basis, decision: Decision, lift: int) -> Job:
    water = decision.water
    assert water is not None
    return Job(
        task=Task.DAMP,
        strip_id=decision.strip_id,
        lift=lift,
        crew_id=basis.site.strip(decision.strip_id).crew_id,
        machine_id=water.truck_id,
        start_utc=water.start_utc,
        end_utc=water.finish_utc,
        litres=water.litres,
        water=water,
    )
