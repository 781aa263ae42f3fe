"""Every way to do the lift that lies there: today as its verdict says, on later days as weather and truck allow."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from gonogo.decide.order.option import Option
from gonogo.decide.order.today import options_today, soaked_over_night
from gonogo.decide.today import Dosed, Prepared, rolling_h_on
from gonogo.decide.water.forecast import CHANCE_GAIN_MIN, chance_watered, chances_watered, doses_on
from gonogo.decide.windows import Working, row_ends, window_chances
from gonogo.records.verdict import Decision

LAGS_H = (0.0, 1.0, 3.0)  # how long watered soil may lie beyond soaking in before it is rolled
_NUDGE_H = 1e-9


def starts_on(hours: Working, needed_h: float, step_h: float) -> Iterator[float]:
    """Yield the start of everything of a length that fits into a working day, on the steps of the day."""
    if not hours.is_working_day or not math.isfinite(needed_h):
        return
    last_h = hours.until_h - needed_h
    for k in range(math.floor((last_h - hours.from_h) / step_h + _NUDGE_H) + 1):
        yield hours.from_h + k * step_h


def later_starts(
    prepared: Prepared, s: int, ahead: Sequence[Working], step_h: float
) -> Iterator[tuple[int, Working, float, float]]:
    """Yield (day, its hours, start, rolling time) of the days after this one on which a roller of the crew is there."""
    inputs = prepared.inputs
    strip = inputs.strips[s]
    for day_n, hours in enumerate(ahead):
        if hours.day == inputs.day or hours.day in inputs.roller_on(strip, hours.day).away:
            continue
        rolling_h = rolling_h_on(inputs, strip, hours.day)
        for start_h in starts_on(hours, rolling_h + prepared.seal_h, step_h):
            yield day_n, hours, start_h, rolling_h


def present(
    prepared: Prepared, s: int, decision: Decision, ahead: Sequence[Working], step_h: float
) -> Iterator[Option]:
    """Yield the options to do the lift that lies there: today as its verdict says, later as weather allows."""
    if ahead and ahead[0].day == prepared.inputs.day:
        yield from options_today(prepared, s, decision, step_h)
    area_m2 = prepared.inputs.strips[s].area_m2
    ways = _ways(prepared, s, ahead, step_h)
    first = _first_chances(prepared, s, ways)
    wet: dict[tuple[int, int, int, int], float] = {}  # weather is hourly: ways within the same hours share a chance
    for way in ways:
        yield way.dry
        yield from soaked_over_night(prepared, s, decision, way.dry)
        for by, ends_h in way.watered:
            for done_h in ends_h:
                at_h = done_h - by.took.spray_h
                key = (*way.rows, math.floor(at_h))
                if key not in wet:
                    own = first.get((at_h, way.dry.start_h))
                    if own is None:  # the first within its hours of those that are looked at, not of all
                        own = chance_watered(prepared, s, by.litres_m2, at_h, way.dry.start_h)
                    wet[key] = own
                if not wet[key] > way.dry.chance + CHANCE_GAIN_MIN:
                    break  # lying longer makes it no better
                yield _watered(way.dry, by, done_h, by.litres_m2 * area_m2, wet[key])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Way:
    """A start on a later day of the lift that lies there.

    dry       as it lies
    rows      first row of its hours, and the rows after the last of rolling and sealing, and of rolling
    watered   the dose by each truck of the day, and when its last drop may fall, the latest first [epoch h]; none
              where it is likely right as it lies
    """

    dry: Option
    rows: tuple[int, int, int]
    watered: tuple[tuple[Dosed, tuple[float, ...]], ...]


def _ways(prepared: Prepared, s: int, ahead: Sequence[Working], step_h: float) -> list[_Way]:
    """Return every start of the lift that lies there on days after today, of hours that the table holds."""
    inputs, cond, seal_h = prepared.inputs, prepared.cond, prepared.seal_h
    strip = inputs.strips[s]
    soak_h = inputs.soak_h(strip)
    starts = list(later_starts(prepared, s, ahead, step_h))
    if not starts:
        return []
    start, rolling_h = np.array([(start_h, takes_h) for _, _, start_h, takes_h in starts]).T
    first, sealed, holds = row_ends(cond, start, start + rolling_h + seal_h)
    _, rolled, _ = row_ends(cond, start, start + rolling_h)
    chances = window_chances(cond, s, start, rolling_h, seal_h).tolist()
    rows = zip(first.tolist(), sealed.tolist(), rolled.tolist(), strict=True)
    by_day: dict[int, tuple[Dosed, ...]] = {}
    found: list[_Way] = []
    of_start = zip(starts, rows, holds.tolist(), chances, strict=True)
    for (day_n, hours, start_h, takes_h), own, is_held, chance in of_start:
        if not is_held:
            continue
        if day_n not in by_day:
            by_day[day_n] = doses_on(prepared, s, hours)
        dry = Option(day_n=day_n, start_h=start_h, end_h=start_h + takes_h, chance=chance)
        doses = by_day[day_n] if chance < prepared.chance_needed else ()
        watered = tuple((by, tuple(_ends_h(hours, start_h, by, soak_h))) for by in doses)
        found.append(_Way(dry=dry, rows=own, watered=watered))
    return found


def _first_chances(prepared: Prepared, s: int, ways: Sequence[_Way]) -> dict[tuple[float, float], float]:
    """Return the chance of the first watered option within each hours, by its first drop and its start [epoch h].

    All at once: asked for one by one they take most of the time that an order of work takes.
    """
    first: dict[tuple[int, int, int, int], tuple[float, float, float]] = {}
    for way in ways:
        for by, ends_h in way.watered:
            for done_h in ends_h:
                at_h = done_h - by.took.spray_h
                first.setdefault((*way.rows, math.floor(at_h)), (by.litres_m2, at_h, way.dry.start_h))
    if not first:
        return {}
    litres_m2, at_h, start_h = np.array(list(first.values())).T
    chances = chances_watered(prepared, s, litres_m2, at_h, start_h).tolist()
    return dict(zip(zip(at_h.tolist(), start_h.tolist(), strict=True), chances, strict=True))


def watered_ways(hours: Working, dry: Option, litres: float, by: Dosed, soak_h: float) -> Iterator[Option]:
    """Yield an option with the watering before it, as late as soaking in allows and some hours earlier."""
    for done_h in _ends_h(hours, dry.start_h, by, soak_h):
        yield _watered(dry, by, done_h, litres, dry.chance)


def _ends_h(hours: Working, start_h: float, by: Dosed, soak_h: float) -> Iterator[float]:
    """Yield when the last drop of a dose may fall before rolling at start_h, the latest first [epoch h]."""
    for lag_h in LAGS_H:
        done_h = start_h - soak_h - lag_h
        called_h = done_h - by.took.spray_h - by.took.first_h
        if called_h >= hours.from_h - _NUDGE_H:
            yield done_h


def _watered(dry: Option, by: Dosed, done_h: float, litres: float, chance: float) -> Option:
    at_h = done_h - by.took.spray_h
    return Option(
        day_n=dry.day_n,
        start_h=dry.start_h,
        end_h=dry.end_h,
        chance=chance,
        litres=litres,
        at_h=at_h,
        done_h=done_h,
        called_h=at_h - by.took.first_h,
        free_h=done_h + by.took.leave_h,
        truck_id=by.truck.id,
    )
