"""The lifts still to be rolled, and every way to fit each of them into the days ahead."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from gonogo.decide.inputs import MorningInputs
from gonogo.decide.machines import trucks_on
from gonogo.decide.order.coming_lift import new_lift_today
from gonogo.decide.order.option import Option
from gonogo.decide.order.today import weather_chances
from gonogo.decide.order.ways import later_starts, present, watered_ways
from gonogo.decide.outlook import days
from gonogo.decide.standing import ORDER_STANDS
from gonogo.decide.today import Dosed, Prepared
from gonogo.decide.water.forecast import borrow_dose_litres_m2, truck_time
from gonogo.decide.windows import Working, row_ends
from gonogo.records.site import Strip
from gonogo.records.verdict import Decision, Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class LiftToDo:
    """One lift with its options.

    s            row of the strip; number: 1 = the first recorded lift of the strip
    is_present   it lies there now; the others are still to be spread
    is_watered   this morning's verdict has it watered today; is_told: watered or compacted
    options         those that are likely enough; reason: why there is none, a key of UNPLANNED, "" where there are some
    best         the likeliest option of all, however unlikely; None where none fits or is known
    """

    s: int
    number: int
    is_present: bool
    is_watered: bool
    is_told: bool
    options: tuple[Option, ...]
    reason: str
    best: Option | None


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
            options = () if math.isnan(lies_rolled) else tuple(present(prepared, s, decision, ahead, step_h[strip.id]))
            if options or not _is_under_way(prepared, decision):
                found.append(_lift(prepared, s, first, options, decision))
            first += 1
        if first <= strip.lifts:
            step = step_h[strip.id]
            later = tuple(_later(prepared, s, ahead, step))
            for number in range(first, strip.lifts + 1):
                is_next = lies_rolled == 1.0 and number == first
                mass = following_mass_kg_m2(strip)
                today = tuple(new_lift_today(prepared, s, mass, step)) if is_next else ()
                found.append(_lift(prepared, s, number, (*today, *later), None))
    return tuple(found)


def _is_under_way(prepared: Prepared, decision: Decision) -> bool:
    """Whether an order of today has begun or may have: nothing is told a second time, today or later."""
    return decision.rule_id == ORDER_STANDS and decision.strip_id in prepared.inputs.orders


def _lift(prepared: Prepared, s: int, number: int, options: Sequence[Option], decision: Decision | None) -> LiftToDo:
    """Keep the options that are likely enough; say why where none is. decision: of a present lift, else None."""
    is_present = decision is not None
    known = [option for option in options if not math.isnan(option.chance)]
    least = prepared.inputs.setting("plan_chance_min")
    likely = tuple(option for option in known if option.chance >= least or option.day_n == 0)
    best = max(known, key=lambda option: option.chance, default=None)
    reason = "" if likely else _no_way(prepared, s, options, best, is_present=is_present)
    return LiftToDo(
        s=s,
        number=number,
        is_present=is_present,
        is_watered=decision is not None and decision.verdict == Verdict.WATER,
        is_told=decision is not None and decision.verdict != Verdict.WAIT,
        options=likely,
        reason=reason,
        best=best,
    )


def _no_way(prepared: Prepared, s: int, options: Sequence[Option], best: Option | None, *, is_present: bool) -> str:
    """Return why a lift has no option that is likely enough: a key of UNPLANNED."""
    inputs = prepared.inputs
    strip = inputs.strips[s]
    needed_h = prepared.rolling_h[s] + prepared.seal_h
    later = [hours for hours in days(prepared) if hours.is_working_day and hours.day != inputs.day]
    if math.isnan(needed_h) or not (options or later):
        return "not_knowable"
    if not any(hours.hours >= needed_h for hours in later):
        return "longer_than_shift"
    if not is_present and math.isnan(borrow_dose_litres_m2(inputs.material(strip), following_mass_kg_m2(strip))):
        return "borrow_too_wet"
    if options and best is None:
        return "not_knowable"
    dry = [inputs.w_pct[row, s].mean() for hours in later if (row := prepared.row_at(hours.from_h)) is not None]
    material = inputs.material(strip)
    edge = material.omc_pct + material.window_low_pct
    needs_water = all(w < edge for w in dry) if is_present else not options
    if needs_water and (best is None or best.litres == 0.0):
        return "no_truck" if not inputs.crew(strip).trucks else "no_time_for_water"
    return "no_likely_hour"


def following_mass_kg_m2(strip: Strip) -> float:
    """Return the dry mass under a square metre of a lift still to come [kg/m2]."""
    return strip.following_dry_mass_kg_m2


def _later(prepared: Prepared, s: int, ahead: Sequence[Working], step_h: float) -> Iterator[Option]:
    """Yield the options to do a lift that is still to be spread: from tomorrow on.

    It is taken to be spread as it comes from the borrow, on the day of its rolling: weather decides, and how often a
    fresh lift arrives right (setting fresh_lift_chance). Where the borrow is too dry, the truck comes first.
    """
    inputs, cond = prepared.inputs, prepared.cond
    strip = inputs.strips[s]
    litres_m2 = borrow_dose_litres_m2(inputs.material(strip), following_mass_kg_m2(strip))
    if math.isnan(litres_m2):
        return
    took = {t.id: truck_time(prepared, strip, t, litres_m2) for t in inputs.crew(strip).trucks if litres_m2 > 0.0}
    day_n, start_h, rolling_h = later_starts(prepared, s, ahead, step_h)
    needed_h = rolling_h + prepared.seal_h
    _, _, holds = row_ends(cond, start_h, start_h + needed_h)
    chances = inputs.setting("fresh_lift_chance") * weather_chances(prepared, s, start_h, needed_h)
    columns = (day_n, start_h, start_h + rolling_h, chances)
    for row in zip(*(column[holds].tolist() for column in columns), strict=True):
        option = Option(*row)
        if litres_m2 <= 0.0:
            yield option
            continue
        hours = ahead[option.day_n]
        for truck in trucks_on(inputs.crew(strip), hours.day):
            their = took[truck.id]
            if their is not None:
                by = Dosed(truck=truck, litres_m2=litres_m2, took=their)
                yield from watered_ways(hours, option, litres_m2 * strip.area_m2, by, inputs.soak_h(strip))


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
        for machine in (*(f"roller {r.id}" for r in crew.rollers), *(f"truck {t.id}" for t in crew.trucks)):
            other = groups[owner.setdefault(machine, crew.id)]
            mine = groups[crew.id]
            groups = {name: other if group == mine else group for name, group in groups.items()}
    return groups
