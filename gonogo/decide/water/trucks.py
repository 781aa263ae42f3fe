"""Who is watered when the trucks cannot water all: the order of serving, and which strips lose."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from gonogo.decide.today import Prepared
from gonogo.decide.water import evening
from gonogo.decide.water.dose import is_only_crust
from gonogo.decide.water.watering import Outcome, maintain, watered
from gonogo.decide.windows import Stretch
from gonogo.records.verdict import WaterPlan

NEVER = datetime.max.replace(tzinfo=UTC)

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
    served: list[int] = []
    for s in wanted:
        if prepared.inputs.trucks(prepared.inputs.strips[s]):
            served.append(s)
        else:
            outcomes[s] = Outcome(dose_litres_m2=math.inf, is_in_time=0.0)
    for rows in _linked(prepared, served):
        for truck in (truck for s in rows for truck in prepared.inputs.trucks(prepared.inputs.strips[s])):
            free.setdefault(truck.id, [prepared.today.from_h] * truck.count)
        found, after = _served(prepared, rows, free)
        free |= after
        outcomes |= _for_tomorrow(prepared, found, free)
    return outcomes


def _linked(prepared: Prepared, rows: Sequence[int]) -> list[list[int]]:
    """Return the rows in groups that share a truck, directly or through another row; each in the order given."""
    groups: list[tuple[set[str], list[int]]] = []
    for s in rows:
        ids = {truck.id for truck in prepared.inputs.trucks(prepared.inputs.strips[s])}
        joined = [group for group in groups if group[0] & ids]
        members = [row for group in joined for row in group[1]]
        groups = [group for group in groups if group not in joined]
        groups.append((ids.union(*(group[0] for group in joined)), [*members, s]))
    place = {s: n for n, s in enumerate(rows)}
    return [sorted(members, key=place.__getitem__) for _, members in groups]


def _for_tomorrow(prepared: Prepared, served: Mapping[int, Outcome], free: Free) -> dict[int, Outcome]:
    """Return the outcomes, with water in the afternoon for strips that get none in time today; moves `free` on."""
    found = dict(served)
    for s, outcome in served.items():
        if outcome.is_in_time != 0.0 or is_only_crust(prepared, s):
            continue
        for truck in prepared.inputs.trucks(prepared.inputs.strips[s]):
            called_h = min(free[truck.id])
            made = evening.planned(prepared, s, truck, called_h)
            if made is not None:
                found[s] = replace(outcome, tomorrow=made[0])
                free[truck.id][free[truck.id].index(called_h)] = made[1]
                break
    return found


def keep_damp(prepared: Prepared, s: int, window: Stretch, free: Free) -> WaterPlan | None:
    """Return the light watering of a right lift while it is rolled, None where not worth it or no truck has time."""
    for truck in prepared.inputs.trucks(prepared.inputs.strips[s]):
        times_h = free.setdefault(truck.id, [prepared.today.from_h] * truck.count)
        called_h = min(times_h)
        made = maintain(prepared, s, (window.start_h, window.end_h), truck, called_h)
        if made is not None:
            times_h[times_h.index(called_h)] = made[1]
            return made[0]
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Turn:
    """What the best of a crew's trucks can do for a strip: which one, called when, back when [epoch h]."""

    outcome: Outcome
    truck_id: str
    called_h: float
    back_h: float


def _best(prepared: Prepared, s: int, free: Mapping[str, Sequence[float]]) -> _Turn:
    """Return the turn of the truck that has the strip watered first; of the crew's first truck where none can."""
    turns = []
    for truck in prepared.inputs.trucks(prepared.inputs.strips[s]):
        called_h = min(free[truck.id])
        outcome, back_h = watered(prepared, s, truck, called_h)
        turns.append(_Turn(outcome=outcome, truck_id=truck.id, called_h=called_h, back_h=back_h))
    in_time = [turn for turn in turns if turn.outcome.is_in_time == 1.0 and turn.outcome.plan is not None]
    return min(in_time, key=lambda turn: turn.outcome.plan.finish_utc if turn.outcome.plan else NEVER, default=turns[0])


def _served(prepared: Prepared, rows: Sequence[int], free: Free) -> tuple[dict[int, Outcome], Free]:
    """Return the outcomes of strips that share trucks, and when these are free after them."""
    given = _in_turn(prepared, rows, free)
    lost = [s for s in rows if given[0][s].is_in_time == 0.0]
    alone = {s: _best(prepared, s, free) for s in rows} if lost else {}
    if not any(alone[s].outcome.is_in_time == 1.0 for s in lost):
        return given
    strips = prepared.inputs.strips

    def rank(s: int) -> tuple[int, float]:
        turn = alone[s]
        spent_h = turn.back_h - turn.called_h
        is_worth = turn.outcome.is_in_time == 1.0 and spent_h > 0.0
        return strips[s].priority, -strips[s].area_m2 / spent_h if is_worth else 0.0

    ranked = _in_turn(prepared, sorted(rows, key=rank), free)
    outcomes, after = max((given, ranked), key=lambda found: _gain(prepared, found[0]))
    return {
        s: replace(o, is_taken=1.0) if o.is_in_time == 0.0 and alone[s].outcome.is_in_time == 1.0 else o
        for s, o in outcomes.items()
    }, after


def _in_turn(prepared: Prepared, rows: Sequence[int], free: Free) -> tuple[dict[int, Outcome], Free]:
    """Serve strips one after the other, each by the truck that has it watered first."""
    outcomes: dict[int, Outcome] = {}
    after = {truck_id: list(times_h) for truck_id, times_h in free.items()}
    for s in rows:
        turn = _best(prepared, s, after)
        outcomes[s] = turn.outcome
        times_h = after[turn.truck_id]
        times_h[times_h.index(turn.called_h)] = turn.back_h
    return outcomes, after


def _gain(prepared: Prepared, outcomes: Mapping[int, Outcome]) -> tuple[float, ...]:
    """Return the area that is watered in time, of the first priority before all of the next [m2]."""
    area = [0.0] * 5
    for s, outcome in outcomes.items():
        strip = prepared.inputs.strips[s]
        if outcome.is_in_time == 1.0:
            area[strip.priority - 1] += strip.area_m2
    return tuple(area)
