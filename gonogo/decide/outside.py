"""The strip as weather leaves it by the start of work: rain between mail and start, snow, standing water, cold fill."""

from __future__ import annotations

import math

import numpy as np

from gonogo.decide.conditions import FROST_MEMORY_H
from gonogo.decide.inputs import Floats, on_hours
from gonogo.decide.measures import RAIN_AHEAD_H, Fact, Known
from gonogo.decide.windows import amount_between, epoch_h, longest_run_h, rows

STORM_H = 24.0  # rain of so many hours together counts as one: a day, as specifications count rain
SURFACE_LOOK_H = 12.0  # rain of the night before work is what may have left the surface slick: our own choice


def work_begins_h(known: Known, s: int) -> float:
    """Return when the strip is rolled at its best today, the start of work where no stretch fits [epoch h]."""
    chosen = known.prepared.best[s]
    return known.prepared.today.from_h if chosen is None else chosen.start_h


def _water_mm(known: Known, s: int) -> Floats:
    """Return expected rain and melt of each hour of the table on a strip, (H,) [mm]."""
    inputs = known.prepared.inputs
    return on_hours(inputs, inputs.weather.rain_mm) + known.prepared.cond.melt_mm[:, s]


def rain_to_start_mm(known: Known, s: int) -> float:
    """Return expected rain and melt between the run and the start of rolling [mm]."""
    prepared = known.prepared
    now_h = epoch_h(prepared.inputs.now_utc)
    begins_h = max(work_begins_h(known, s), now_h)
    return float(amount_between(prepared.cond, _water_mm(known, s), now_h, begins_h))


def heaviest_rain_mm(known: Known, s: int) -> float:
    """Return the greatest rain and melt of STORM_H hours between the last test and the start of rolling [mm].

    0 without a test; NaN where the table does not hold the time since. What is still to come by the start counts as
    what has fallen. Many light rains days apart are no heavy one.
    """
    prepared = known.prepared
    inputs, cond = prepared.inputs, prepared.cond
    age_h = float(inputs.reading_age_h[s])
    if math.isinf(age_h):
        return 0.0
    if math.isnan(age_h + float(inputs.rained_since_reading_mm[s])):
        return math.nan
    tested = math.floor(epoch_h(inputs.now_utc) - age_h + 1e-9) - cond.first_h
    until = math.ceil(work_begins_h(known, s) - 1e-9) - cond.first_h
    water = _water_mm(known, s)
    if until > len(water):
        return math.nan
    if tested < 0:  # of the time before the table only the sum is known, if that
        return float(inputs.rained_since_reading_mm[s])
    since = water[tested : max(until, tested)]
    if np.any(np.isnan(since)):
        return math.nan
    total = np.concatenate([[0.0], np.cumsum(since)])
    n = int(STORM_H)
    return float(max((total[min(i + n, len(since))] - total[i] for i in range(len(since))), default=0.0))


def rained_before_work_mm(known: Known, s: int) -> float:
    """Return expected rain and melt of SURFACE_LOOK_H up to the start of rolling [mm], 0 outside the table."""
    prepared = known.prepared
    begins_h = work_begins_h(known, s)
    fell = amount_between(prepared.cond, _water_mm(known, s), begins_h - SURFACE_LOOK_H, begins_h)
    return float(np.nan_to_num(fell, nan=0.0))


def chance_any_rain(known: Known, s: int, from_h: float, until_h: float) -> float:
    """Return the chance that it rains in any hour between two moments, all of them together, however little."""
    prepared = known.prepared
    if until_h <= from_h:
        return 0.0
    last_h = float(prepared.cond.first_h + len(prepared.cond.is_calm))
    part = rows(prepared.cond, from_h, min(until_h, last_h))
    if part is None:
        return math.nan
    members = prepared.cond.rain_mm[part, s]
    return math.nan if np.any(np.isnan(members)) else float(np.mean((members > 0.0).any(axis=0)))


def chance_rain_in_window(known: Known, s: int) -> float:
    """Return the chance of any rain in the best stretch, 0 where none fits."""
    chosen = known.prepared.best[s]
    if chosen is None:
        return 0.0
    return math.nan if math.isnan(chosen.end_h) else chance_any_rain(known, s, chosen.start_h, chosen.end_h)


def chance_rain_ahead(known: Known, s: int) -> float:
    """Return the chance of any rain within a day of the start of work."""
    from_h = known.prepared.today.from_h
    return chance_any_rain(known, s, from_h, from_h + RAIN_AHEAD_H)


def at_start_of_work(known: Known, column: Floats) -> float:
    """Return a column of the weather where work begins, NaN outside the table."""
    row = known.prepared.row_at(known.prepared.today.from_h)
    return math.nan if row is None else float(on_hours(known.prepared.inputs, column)[row])


def snow_lying_mm(known: Known, s: int) -> float:
    """Return the snow on the strip where work begins [mm], NaN outside the table."""
    row = known.prepared.row_at(known.prepared.today.from_h)
    return math.nan if row is None else float(known.prepared.cond.snow_mm[row, s])


def standing_water_mm(known: Known, s: int) -> float:
    """Return the expected water that stands on the strip where work begins [mm], NaN outside the table."""
    row = known.prepared.row_at(known.prepared.today.from_h)
    if row is None:
        return math.nan
    return float(known.prepared.cond.standing_mm[row, s])


def longest_drained_h(known: Known, s: int) -> float:
    """Return the longest run of working hours in which likely no water stands on the strip [h], NaN = unknown."""
    prepared = known.prepared
    drained = prepared.cond.is_drained[:, s].mean(axis=1)
    holds = np.where(np.isnan(drained), np.nan, drained >= prepared.chance_needed)
    return longest_run_h(holds, prepared.cond, prepared.today)


def fill_temp_degc(known: Known, s: int) -> float:
    """Return what the fill has taken on of the air by the start of rolling: its mean over a day; NaN where unknown."""
    prepared = known.prepared
    row = prepared.row_at(work_begins_h(known, s))
    if row is None:
        return math.nan
    temp = on_hours(prepared.inputs, prepared.inputs.weather.temp_degc)[max(row - FROST_MEMORY_H, 0) : row + 1]
    return float(np.mean(temp[~np.isnan(temp)])) if np.any(~np.isnan(temp)) else math.nan


OUTSIDE_FACTS: dict[str, Fact] = {
    "longest_bare_h": Fact(
        unit="h",
        meaning="longest run of working hours without snow on the strip",
        of=lambda k, s: longest_run_h(k.prepared.cond.is_bare[:, s], k.prepared.cond, k.prepared.today),
    ),
    "snow_lying_mm": Fact(
        unit="mm",
        meaning="depth of the snow on the strip where work begins",
        of=snow_lying_mm,
    ),
    "frost_depth_mm": Fact(
        unit="mm",
        meaning="how deep the frost stands where work begins",
        of=lambda k, _s: at_start_of_work(k, k.prepared.inputs.weather.frost_depth_mm),
    ),
    "fill_temp_degc": Fact(unit="degC", meaning="mean air temperature of the day up to rolling", of=fill_temp_degc),
    "longest_drained_h": Fact(
        unit="h",
        meaning="longest run of working hours in which likely no water stands on the strip",
        of=longest_drained_h,
    ),
    "standing_water_mm": Fact(
        unit="mm", meaning="water that stands on the strip where work begins", of=standing_water_mm
    ),
    "rain_to_start_mm": Fact(
        unit="mm", meaning="rain and melt between the run and the start of rolling", of=rain_to_start_mm
    ),
    "rained_before_work_mm": Fact(
        unit="mm", meaning="rain and melt of the 12 h up to rolling", of=rained_before_work_mm
    ),
    "chance_rain_in_window": Fact(
        unit="-",
        meaning="chance of rain in any hour of the best stretch, however little; 0 where none fits",
        of=chance_rain_in_window,
    ),
    "chance_rain_ahead": Fact(
        unit="-",
        meaning="chance of rain in any hour of the 24 h from the start of work, however little",
        of=chance_rain_ahead,
    ),
    "heaviest_rain_mm": Fact(
        unit="mm",
        meaning="greatest rain and melt of 24 h between that test and the start of rolling",
        of=heaviest_rain_mm,
    ),
}
