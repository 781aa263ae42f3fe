"""Keeping a right lift damp while it is rolled: in the hours of the order of work, by a truck that is free then."""

from __future__ import annotations

import math
from collections.abc import Iterator

from gonogo.decide.plan.basis import Basis, rolling_today
from gonogo.decide.standing import ORDER_STANDS
from gonogo.decide.water.evening import FOR_TOMORROW
from gonogo.decide.water.spraying import efficiency_of, first_drop_h
from gonogo.decide.water.watering import maintain
from gonogo.decide.windows import epoch_h
from gonogo.records.day_plan import Task
from gonogo.records.site import Truck
from gonogo.records.verdict import Decision, Verdict, WaterPlan

Busy = tuple[float, float]  # from when a truck is called until it can be called again [epoch h]


def dampings(basis: Basis) -> dict[str, WaterPlan]:
    """Return by strip id the light watering of right lifts in strong evaporation, each begun while it is rolled.

    The trucks' other work of today goes first; a strip that no truck reaches while it is rolled is left out.
    """
    trucks = {truck.id: truck for strip in basis.inputs.strips for truck in basis.inputs.trucks(strip)}
    busy = {truck_id: list(_busy(basis, truck)) for truck_id, truck in trucks.items()}
    slots = []
    for s, strip in enumerate(basis.inputs.strips):
        decision, work = basis.decisions[strip.id], rolling_today(basis, strip.id)
        if work is not None and _is_wanted(basis, decision):
            slots.append((epoch_h(work.start_utc), epoch_h(work.end_utc), s))
    found: dict[str, WaterPlan] = {}
    for start_h, end_h, s in sorted(slots):
        strip = basis.inputs.strips[s]
        turns = []
        for truck in basis.inputs.trucks(strip):
            made = _in_slot(basis, s, truck, (start_h, end_h), busy[truck.id])
            if made is not None:
                turns.append((made[0].start_utc, truck.id, *made))
        if turns:
            _, truck_id, found[strip.id], taken = min(turns, key=lambda turn: turn[:2])
            busy[truck_id].append(taken)
    return found


def _is_wanted(basis: Basis, decision: Decision) -> bool:
    if decision.verdict != Verdict.COMPACT or decision.rule_id == ORDER_STANDS:
        return False
    return decision.facts.get("evaporation_mm_h", math.nan) >= basis.inputs.setting("strong_evaporation_mm_h")


def _in_slot(
    basis: Basis, s: int, truck: Truck, slot_h: tuple[float, float], busy: list[Busy]
) -> tuple[WaterPlan, Busy] | None:
    """Return the earliest damping that begins and ends while the strip is rolled, with the truck's time for it."""
    called_h = max(basis.prepared.today.from_h, slot_h[0] - _lead_h(basis, truck))
    while True:
        made = maintain(basis.prepared, s, slot_h, truck, called_h)
        if made is None:
            return None
        plan, back_h = made
        at_work = [until_h for from_h, until_h in busy if from_h < back_h and called_h < until_h]
        if len(at_work) < truck.count:
            return plan, (called_h, back_h)
        called_h = min(at_work)


def _busy(basis: Basis, truck: Truck) -> Iterator[Busy]:
    """Yield when a truck of a kind is at today's waterings."""
    before_h, after_h = _lead_h(basis, truck), truck.travel_time_min / 60.0
    after_h /= efficiency_of(basis.inputs, truck)
    for decision in basis.decisions.values():
        order = basis.inputs.orders.get(decision.strip_id)
        if order is not None and decision.rule_id == ORDER_STANDS:
            for job in order.jobs:
                if job.task in (Task.WATER, Task.DAMP) and job.machine_id == truck.id:
                    yield epoch_h(job.start_utc) - before_h, epoch_h(job.end_utc) + after_h
        elif (decision.verdict == Verdict.WATER or decision.reason == FOR_TOMORROW) and decision.water is not None:
            if decision.water.truck_id == truck.id:
                water = decision.water
                yield epoch_h(water.start_utc) - before_h, epoch_h(water.finish_utc) + after_h


def _lead_h(basis: Basis, truck: Truck) -> float:
    return first_drop_h(truck, efficiency_of(basis.inputs, truck))
