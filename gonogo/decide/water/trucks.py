"""Who is watered when the trucks cannot water all: the order of serving, and which strips lose."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from gonogo.decide.today import Prepared
from gonogo.decide.water import evening
from gonogo.decide.water.dose import is_only_crust
from gonogo.decide.water.watering import Outcome, maintain, watered
from gonogo.decide.windows import Stretch
from gonogo.records.site import Truck
from gonogo.records.verdict import WaterPlan

Free = dict[str, list[float]]  # by truck id, when each of that kind can be called next [epoch h]


def plan(prepared: Prepared, wanted: Sequence[int], free: Free) -> dict[int, Outcome]:
    """Return what the trucks can do for the strips that want water.

    wanted   rows of strips that are too dry and have nothing else against them
    free     moved on here as strips are served; one truck may serve two crews

    The strips are served in the order given while that leaves nobody out. Else they are served by priority, then by
    most area in the truck's time, where that brings more; who is left out then waits, and costs the truck no time. A
    crew without a truck gives "not in time" with no dose.
    """
    outcomes: dict[int, Outcome] = {}
    by_truck: dict[str, list[int]] = {}
    trucks: dict[str, Truck] = {}
    for s in wanted:
        truck = prepared.inputs.crew(prepared.inputs.strips[s]).truck
        if truck is None:
            outcomes[s] = Outcome(dose_litres_m2=math.inf, is_in_time=0.0)
        else:
            trucks[truck.id] = truck
            by_truck.setdefault(truck.id, []).append(s)
    for truck_id, rows in by_truck.items():
        free.setdefault(truck_id, [prepared.today.from_h] * trucks[truck_id].count)
        served, free[truck_id] = _served(prepared, rows, trucks[truck_id], free[truck_id])
        outcomes |= _for_tomorrow(prepared, served, trucks[truck_id], free[truck_id])
    return outcomes


def _for_tomorrow(
    prepared: Prepared, served: Mapping[int, Outcome], truck: Truck, free_h: list[float]
) -> dict[int, Outcome]:
    """Return the outcomes, with water in the afternoon for strips that get none in time today; moves free_h on."""
    found = dict(served)
    for s, outcome in served.items():
        if outcome.is_in_time != 0.0 or is_only_crust(prepared, s):
            continue
        called_h = min(free_h)
        made = evening.planned(prepared, s, truck, called_h)
        if made is not None:
            found[s] = replace(outcome, tomorrow=made[0])
            free_h[free_h.index(called_h)] = made[1]
    return found


def keep_damp(prepared: Prepared, s: int, window: Stretch, free: Free) -> WaterPlan | None:
    """Return the light watering of a right lift while it is rolled, None where not worth it or no truck has time."""
    truck = prepared.inputs.crew(prepared.inputs.strips[s]).truck
    if truck is None:
        return None
    times_h = free.setdefault(truck.id, [prepared.today.from_h] * truck.count)
    called_h = min(times_h)
    made = maintain(prepared, s, window, truck, called_h)
    if made is None:
        return None
    times_h[times_h.index(called_h)] = made[1]
    return made[0]


def _served(
    prepared: Prepared, rows: Sequence[int], truck: Truck, free_h: Sequence[float]
) -> tuple[dict[int, Outcome], list[float]]:
    """Return the outcomes of one kind of truck and when its trucks are free after them."""
    given = _in_turn(prepared, rows, truck, free_h)
    lost = [s for s in rows if given[0][s].is_in_time == 0.0]
    alone = {s: watered(prepared, s, truck, min(free_h)) for s in rows} if lost else {}
    if not any(alone[s][0].is_in_time == 1.0 for s in lost):
        return given
    strips = prepared.inputs.strips

    def rank(s: int) -> tuple[int, float]:
        outcome, back_h = alone[s]
        spent_h = back_h - min(free_h)
        return strips[s].priority, -strips[s].area_m2 / spent_h if outcome.is_in_time == 1.0 and spent_h > 0.0 else 0.0

    ranked = _in_turn(prepared, sorted(rows, key=rank), truck, free_h)
    outcomes, free_after = max((given, ranked), key=lambda found: _gain(prepared, found[0]))
    return {
        s: replace(o, is_taken=1.0) if o.is_in_time == 0.0 and alone[s][0].is_in_time == 1.0 else o
        for s, o in outcomes.items()
    }, free_after


def _in_turn(
    prepared: Prepared, rows: Sequence[int], truck: Truck, free_h: Sequence[float]
) -> tuple[dict[int, Outcome], list[float]]:
    """Serve strips one after the other, each by the truck that is free first."""
    outcomes: dict[int, Outcome] = {}
    times_h = list(free_h)
    for s in rows:
        first = times_h.index(min(times_h))
        outcomes[s], times_h[first] = watered(prepared, s, truck, times_h[first])
    return outcomes, times_h


def _gain(prepared: Prepared, outcomes: Mapping[int, Outcome]) -> tuple[float, ...]:
    """Return the area that is watered in time, of the first priority before all of the next [m2]."""
    area = [0.0] * 5
    for s, outcome in outcomes.items():
        strip = prepared.inputs.strips[s]
        if outcome.is_in_time == 1.0:
            area[strip.priority - 1] += strip.area_m2
    return tuple(area)
