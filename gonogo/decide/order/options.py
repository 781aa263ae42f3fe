"""The lifts still to be rolled, and every way to fit each of them into the days ahead."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from gonogo.decide.inputs import MorningInputs
from gonogo.decide.outlook import days
from gonogo.decide.today import Prepared
from gonogo.decide.water.forecast import CLEARLY, TruckTime, borrow_dose_litres_m2, chance_watered, dose_on, truck_time
from gonogo.decide.windows import Working, epoch_h, rows, window_chance
from gonogo.records.site import Strip
from gonogo.records.verdict import Decision, Verdict

LAGS_H = (0.0, 1.0, 3.0)  # how long watered soil may lie beyond soaking in before it is rolled
_NUDGE_H = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One way to do a lift: when it is rolled, and when it is watered first.

    day_n             day of the horizon, 0 = the morning's own
    start_h, end_h    rolling [epoch h]
    at_h, done_h      first and last drop [epoch h], NaN without watering
    called_h, free_h  from the truck's call until it can be called again; NaN where the order need not ask for it
    """

    day_n: int
    start_h: float
    end_h: float
    chance: float
    litres: float = 0.0
    at_h: float = math.nan
    done_h: float = math.nan
    called_h: float = math.nan
    free_h: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class LiftToDo:
    """One lift with its ways.

    s            row of the strip; number: 1 = the first recorded lift of the strip
    is_present   it lies there now; the others are still to be spread
    is_watered   this morning's verdict has it watered today
    ways         those that are likely enough; reason: why there is none, a key of UNPLANNED, "" where there are some
    best         the likeliest way of all, however unlikely; None where none fits or is known
    """

    s: int
    number: int
    is_present: bool
    is_watered: bool
    ways: tuple[Way, ...]
    reason: str
    best: Way | None


def lifts_to_do(
    prepared: Prepared,
    decisions: Sequence[Decision],
    done: Mapping[str, int],
    step_h: Mapping[str, float],
) -> tuple[LiftToDo, ...]:
    """Return every lift still to be rolled, strip by strip in their order, lower lifts first.

    decisions  of this morning: today a strip is rolled only as its verdict says
    done       by strip id, how many of its lifts were rolled
    step_h     by strip id, the step in which starts are tried [h]
    """
    ahead = tuple(days(prepared))
    found: list[LiftToDo] = []
    for s, (strip, decision) in enumerate(zip(prepared.inputs.strips, decisions, strict=True)):
        lies_rolled = prepared.inputs.is_rolled(s)
        n_done = done.get(strip.id, 0)
        first = n_done + 1
        if lies_rolled != 1.0:
            ways = () if math.isnan(lies_rolled) else tuple(_present(prepared, s, decision, ahead, step_h[strip.id]))
            found.append(_lift(prepared, s, first, ways, is_present=True, is_watered=decision.verdict == Verdict.WATER))
            first += 1
        if first <= strip.lifts:
            later = tuple(_later(prepared, s, ahead, step_h[strip.id]))
            found += [
                _lift(prepared, s, number, later, is_present=False, is_watered=False)
                for number in range(first, strip.lifts + 1)
            ]
    return tuple(found)


def starts_by_day(ahead: Sequence[Working], needed_h: float, step_h: float) -> Iterator[tuple[int, Working, float]]:
    """Yield (day, its hours, start) of everything of a length that fits into a working day, on the steps of the day."""
    for day_n, hours in enumerate(ahead):
        if not hours.is_working_day or not math.isfinite(needed_h):
            continue
        last_h = hours.until_h - needed_h
        for k in range(math.floor((last_h - hours.from_h) / step_h + _NUDGE_H) + 1):
            yield day_n, hours, hours.from_h + k * step_h


def _lift(
    prepared: Prepared, s: int, number: int, ways: Sequence[Way], *, is_present: bool, is_watered: bool
) -> LiftToDo:
    """Keep the ways that are likely enough; say why where none is."""
    known = [way for way in ways if not math.isnan(way.chance)]
    least = prepared.inputs.setting("plan_chance_min")
    likely = tuple(way for way in known if way.chance >= least or way.day_n == 0)
    best = max(known, key=lambda way: way.chance, default=None)
    reason = "" if likely else _no_way(prepared, s, ways, best, is_present=is_present)
    return LiftToDo(
        s=s, number=number, is_present=is_present, is_watered=is_watered, ways=likely, reason=reason, best=best
    )


def _no_way(prepared: Prepared, s: int, ways: Sequence[Way], best: Way | None, *, is_present: bool) -> str:
    """Return why a lift has no way that is likely enough: a key of UNPLANNED."""
    inputs = prepared.inputs
    strip = inputs.strips[s]
    needed_h = prepared.rolling_h[s] + prepared.seal_h
    later = [hours for hours in days(prepared) if hours.is_working_day and hours.day != inputs.day]
    if math.isnan(needed_h) or not (ways or later):
        return "not_knowable"
    if not any(hours.hours >= needed_h for hours in later):
        return "longer_than_shift"
    if not is_present and math.isnan(borrow_dose_litres_m2(inputs.material(strip), _following_mass_kg_m2(strip))):
        return "borrow_too_wet"
    if ways and best is None:
        return "not_knowable"
    dry = [inputs.w_pct[row, s].mean() for hours in later if (row := prepared.row_at(hours.from_h)) is not None]
    material = inputs.material(strip)
    edge = material.omc_pct + material.window_low_pct
    needs_water = all(w < edge for w in dry) if is_present else not ways
    if needs_water and (best is None or best.litres == 0.0):
        return "no_truck" if inputs.crew(strip).truck is None else "no_time_for_water"
    return "no_likely_hour"


def _present(prepared: Prepared, s: int, decision: Decision, ahead: Sequence[Working], step_h: float) -> Iterator[Way]:
    """Yield the ways to do the lift that lies there: today as the verdict says, later as weather and moisture allow."""
    rolling_h = prepared.rolling_h[s]
    if ahead and ahead[0].day == prepared.inputs.day:
        yield from _today(prepared, s, decision, step_h)
    chances: dict[tuple[int, int, int], float] = {}  # weather is hourly: starts within the same hours share a chance
    wet: dict[tuple[int, int, int, int], float] = {}
    by_day: dict[int, tuple[float, TruckTime] | None] = {}
    for day_n, hours, start_h in starts_by_day(ahead, rolling_h + prepared.seal_h, step_h):
        if hours.day == prepared.inputs.day:
            continue
        part = rows(prepared.cond, start_h, start_h + rolling_h + prepared.seal_h)
        if part is None:
            continue
        rolled = rows(prepared.cond, start_h, start_h + rolling_h)
        key = (part.start, part.stop, part.stop if rolled is None else rolled.stop)
        if key not in chances:
            chances[key] = window_chance(prepared.cond, s, start_h, rolling_h, prepared.seal_h)
        dry_chance = chances[key]
        dry = Way(day_n=day_n, start_h=start_h, end_h=start_h + rolling_h, chance=dry_chance)
        yield dry
        if day_n not in by_day:
            by_day[day_n] = dose_on(prepared, s, hours)
        needed = by_day[day_n]
        if needed is None or not dry_chance < prepared.chance_needed:
            continue  # what is likely right as it lies is not watered
        litres_m2, took = needed
        for way in _watered(prepared, hours, dry, litres_m2 * prepared.inputs.strips[s].area_m2, took):
            wet_key = (*key, math.floor(way.at_h))
            if wet_key not in wet:
                wet[wet_key] = chance_watered(prepared, s, litres_m2, way.at_h, start_h)
            if not wet[wet_key] > dry_chance + CLEARLY:
                break  # lying longer makes it no better
            yield replace(way, chance=wet[wet_key])


def _today(prepared: Prepared, s: int, decision: Decision, step_h: float) -> Iterator[Way]:
    """Yield the ways of today: inside the hours of the verdict, watered as its plan says."""
    if decision.verdict == Verdict.WAIT or decision.from_utc is None or decision.until_utc is None:
        return
    plan = decision.water if decision.verdict == Verdict.WATER else None
    from_h, until_h, rolling_h = epoch_h(decision.from_utc), epoch_h(decision.until_utc), prepared.rolling_h[s]
    second_h = 1.0 / 3600.0  # the verdict's times are kept to the second
    for k in range(math.floor((until_h - rolling_h - from_h) / step_h + second_h) + 1):
        start_h = from_h + k * step_h
        way = Way(day_n=0, start_h=start_h, end_h=start_h + rolling_h, chance=math.nan)
        if plan is None:
            yield replace(way, chance=window_chance(prepared.cond, s, start_h, rolling_h, prepared.seal_h))
        else:
            at_h = epoch_h(plan.start_utc)
            chance = chance_watered(prepared, s, plan.litres_m2, at_h, start_h)
            done_h = epoch_h(plan.finish_utc)
            yield replace(way, chance=chance, litres=plan.litres, at_h=at_h, done_h=done_h)


def _watered(prepared: Prepared, hours: Working, dry: Way, litres: float, took: TruckTime) -> Iterator[Way]:
    """Yield a way with the watering before it, as late as soaking in allows and some hours earlier."""
    soak_h = prepared.inputs.setting("soak_in_h")
    for lag_h in LAGS_H:
        done_h = dry.start_h - soak_h - lag_h
        at_h = done_h - took.spray_h
        called_h = at_h - took.first_h
        if called_h >= hours.from_h - _NUDGE_H:
            free_h = done_h + took.leave_h
            yield replace(dry, litres=litres, at_h=at_h, done_h=done_h, called_h=called_h, free_h=free_h)


def _following_mass_kg_m2(strip: Strip) -> float:
    """Return the dry mass under a square metre of a lift still to come [kg/m2]."""
    thickness_m = strip.following_lift_thickness_m
    return strip.dry_density_kg_m3 * (strip.lift_thickness_m if thickness_m is None else thickness_m)


def _later(prepared: Prepared, s: int, ahead: Sequence[Working], step_h: float) -> Iterator[Way]:
    """Yield the ways to do a lift that is still to be spread, from tomorrow on.

    It is taken to be spread as it comes from the borrow, on the day of its rolling: weather decides, and how often a
    fresh lift arrives right (setting fresh_lift_chance). Where the borrow is too dry, the truck comes first.
    """
    inputs, cond = prepared.inputs, prepared.cond
    strip = inputs.strips[s]
    litres_m2 = borrow_dose_litres_m2(inputs.material(strip), _following_mass_kg_m2(strip))
    truck = inputs.crew(strip).truck
    took: TruckTime | None = None
    if math.isnan(litres_m2):
        return
    if litres_m2 > 0.0:
        took = None if truck is None else truck_time(prepared, strip, truck, litres_m2)
        if took is None:
            return
    rolling_h = prepared.rolling_h[s]
    chances: dict[tuple[int, int], float] = {}
    for day_n, hours, start_h in starts_by_day(ahead, rolling_h + prepared.seal_h, step_h):
        if hours.day == inputs.day:
            continue
        part = rows(cond, start_h, start_h + rolling_h + prepared.seal_h)
        if part is None:
            continue
        key = (part.start, part.stop)
        if key not in chances:
            dry = float(cond.is_rainless[part].min(axis=0).mean())
            held = float(cond.is_unfrozen[part].min() * cond.is_calm[part].min())
            chances[key] = inputs.setting("fresh_lift_chance") * dry * held
        way = Way(day_n=day_n, start_h=start_h, end_h=start_h + rolling_h, chance=chances[key])
        if took is None:
            yield way
        else:
            yield from _watered(prepared, hours, way, litres_m2 * strip.area_m2, took)


def steps_h(inputs: MorningInputs, done: Mapping[str, int], finest: int) -> dict[str, float]:
    """Return the step of starts of each strip [h]: a quarter hour where few lifts share the machines, else a half.

    finest   up to so many lifts on machines that share nothing with the rest get the quarter hour
    """
    groups = shared(inputs)
    n_lifts: dict[int, int] = {}
    for strip in inputs.strips:
        group = groups[strip.crew_id]
        n_lifts[group] = n_lifts.get(group, 0) + max(strip.lifts - done.get(strip.id, 0), 1)
    return {strip.id: 0.25 if n_lifts[groups[strip.crew_id]] <= finest else 0.5 for strip in inputs.strips}


def shared(inputs: MorningInputs) -> dict[str, int]:
    """Return the group of each crew: crews of one group share a roller or a truck, directly or through another crew."""
    groups = {crew.id: n for n, crew in enumerate(inputs.site.crews)}
    owner: dict[str, str] = {}
    for crew in inputs.site.crews:
        for machine in (f"roller {crew.roller.id}", f"truck {crew.truck.id}" if crew.truck else ""):
            if not machine:
                continue
            other = groups[owner.setdefault(machine, crew.id)]
            mine = groups[crew.id]
            groups = {name: other if group == mine else group for name, group in groups.items()}
    return groups
