"""Every way to do the lift that lies there: today as its verdict says, on later days as weather and truck allow."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from gonogo.decide.inputs import Floats
from gonogo.decide.order.option import Option
from gonogo.decide.order.today import options_today, soaked_over_night
from gonogo.decide.today import Dosed, Prepared, rolling_h_on
from gonogo.decide.water.forecast import CHANCE_GAIN_MIN, chance_watered, chances_watered, doses_on
from gonogo.decide.windows import Working, row_ends, window_chances
from gonogo.records.verdict import Decision

LAGS_H = (0.0, 1.0, 3.0)  # how long watered soil may lie beyond soaking in before it is rolled
_NUDGE_H = 1e-9


class Starts(NamedTuple):
    """Starts on the days after this one on which a roller of the crew is there, in columns (N,).

    day_n     day of the horizon; start_h [epoch h]; rolling_h: time that rolling takes on that day [h]
    """

    day_n: npt.NDArray[np.int64]
    start_h: Floats
    rolling_h: Floats


def starts_on(hours: Working, needed_h: float, step_h: float) -> Floats:
    """Return the start of everything of a length that fits into a working day, on the steps of the day [epoch h]."""
    if not hours.is_working_day or not math.isfinite(needed_h):
        return np.zeros(0)
    last_h = hours.until_h - needed_h
    n_starts = math.floor((last_h - hours.from_h) / step_h + _NUDGE_H) + 1
    return hours.from_h + step_h * np.arange(n_starts, dtype=np.float64)


def later_starts(prepared: Prepared, s: int, ahead: Sequence[Working], step_h: float) -> Starts:
    """Return the starts of the days after this one on which a roller of the crew is there."""
    inputs = prepared.inputs
    strip = inputs.strips[s]
    found = [Starts(np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0))]
    for day_n, hours in enumerate(ahead):
        if hours.day == inputs.day or hours.day in inputs.roller_on(strip, hours.day).away:
            continue
        rolling_h = rolling_h_on(inputs, strip, hours.day)
        start_h = starts_on(hours, rolling_h + prepared.seal_h, step_h)
        found.append(Starts(np.full(len(start_h), day_n), start_h, np.full(len(start_h), rolling_h)))
    return Starts(*(np.concatenate(columns) for columns in zip(*found, strict=True)))


def present(
    prepared: Prepared, s: int, decision: Decision, ahead: Sequence[Working], step_h: float
) -> Iterator[Option]:
    """Yield the options to do the lift that lies there: today as its verdict says, later as weather allows.

    What was told for hours that are not over has these alone, however much likelier tomorrow is: it may be under way.
    """
    if ahead and ahead[0].day == prepared.inputs.day:
        today = tuple(options_today(prepared, s, decision, step_h))
        yield from today
        if any(option.is_standing for option in today):
            return
    ways = _ways(prepared, s, ahead, step_h)
    soaked = soaked_over_night(prepared, s, decision, np.array([dry.start_h for dry in ways])).tolist()
    watered = _watered_ways(prepared, s, ahead, ways)
    for way_n, dry in enumerate(ways):
        yield dry
        if not math.isnan(soaked[way_n]):
            yield dry._replace(chance=soaked[way_n], is_after_test=True)
        yield from watered.get(way_n, ())


def _ways(prepared: Prepared, s: int, ahead: Sequence[Working], step_h: float) -> list[Option]:
    """Return every start of the lift as it lies there, on days after today, of hours that the table holds."""
    cond, seal_h = prepared.cond, prepared.seal_h
    day_n, start_h, rolling_h = later_starts(prepared, s, ahead, step_h)
    _, _, holds = row_ends(cond, start_h, start_h + rolling_h + seal_h)
    chances = window_chances(cond, s, start_h, rolling_h, seal_h)
    columns = (day_n, start_h, start_h + rolling_h, chances)
    return [Option(*row) for row in zip(*(column[holds].tolist() for column in columns), strict=True)]


class _Watering(NamedTuple):
    """A way to water before a start: its number among the ways, the dose by a truck, when the last drop falls."""

    way_n: int
    by: Dosed
    done_h: float
    at_h: float


def _watered_ways(
    prepared: Prepared, s: int, ahead: Sequence[Working], ways: Sequence[Option]
) -> dict[int, list[Option]]:
    """Return by number the watered options of the ways that are not likely right as they lie.

    By each truck of the day, the latest watering first; lying longer is left out where it makes it no better.
    """
    soak_h = prepared.inputs.soak_h(prepared.inputs.strips[s])
    asked = [
        _Watering(way_n, by, done_h, done_h - by.took.spray_h)
        for way_n, dry in enumerate(ways)
        if dry.chance < prepared.chance_needed
        for by in doses_on(prepared, s, ahead[dry.day_n])
        for done_h in _ends_h(ahead[dry.day_n], dry.start_h, by, soak_h)
    ]
    if not asked:
        return {}
    area_m2 = prepared.inputs.strips[s].area_m2
    chance_of = _Chances(prepared, s, ways, asked)
    found: dict[int, list[Option]] = {}
    for _, of_a_truck in itertools.groupby(enumerate(asked), key=lambda row: (row[1].way_n, row[1].by.truck.id)):
        for n, watering in of_a_truck:
            way_n, by, done_h, _ = watering
            chance = chance_of(n)
            if not chance > ways[way_n].chance + CHANCE_GAIN_MIN:
                break  # lying longer makes it no better
            option = _watered(ways[way_n], by, done_h, by.litres_m2 * area_m2, chance)
            found.setdefault(way_n, []).append(option)
    return found


class _Chances:
    """The chances of watered starts. Weather is hourly: those within the same hours share the chance of the first.

    All at once: asked for one by one they take most of the time that an order of work takes. The first is the first of
    those that are looked at, which need not be the first of all.
    """

    def __init__(self, prepared: Prepared, s: int, ways: Sequence[Option], asked: Sequence[_Watering]) -> None:
        self._prepared, self._s, self._asked = prepared, s, asked
        cond, seal_h = prepared.cond, prepared.seal_h
        start_h, end_h = np.array([(ways[w.way_n].start_h, ways[w.way_n].end_h) for w in asked]).T
        litres_m2, at_h = np.array([(w.by.litres_m2, w.at_h) for w in asked]).T
        first, sealed, _ = row_ends(cond, start_h, end_h + seal_h)
        _, rolled, _ = row_ends(cond, start_h, end_h)
        hours = np.stack([first, sealed, rolled, np.floor(at_h).astype(np.int64)], axis=1)
        self._start_h, self._hours = start_h.tolist(), list(map(tuple, hours.tolist()))
        listed: dict[tuple[int, ...], int] = {}
        for n, key in enumerate(self._hours):
            listed.setdefault(key, n)
        firsts = list(listed.values())
        chances = chances_watered(prepared, s, litres_m2[firsts], at_h[firsts], start_h[firsts]).tolist()
        self._of_first = dict(zip(firsts, chances, strict=True))
        self._of_hours: dict[tuple[int, ...], float] = {}

    def __call__(self, n: int) -> float:
        """Return the chance of the n-th that was asked for."""
        key = self._hours[n]
        if key not in self._of_hours:
            own = self._of_first.get(n)
            if own is None:
                watering = self._asked[n]
                litres_m2 = watering.by.litres_m2
                own = chance_watered(self._prepared, self._s, litres_m2, watering.at_h, self._start_h[n])
            self._of_hours[key] = own
        return self._of_hours[key]


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
