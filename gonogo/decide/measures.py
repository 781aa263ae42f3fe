"""What facts are measured from: the weather of today, and the members where work begins, as one number per strip."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from gonogo.decide.inputs import Floats, on_hours
from gonogo.decide.lasting import share
from gonogo.decide.today import Prepared, soaked
from gonogo.decide.water import dose
from gonogo.decide.water.watering import Outcome
from gonogo.decide.windows import Stretch, amount_between, epoch_h, rows
from gonogo.soil.by_strip import ByStrip
from gonogo.weather.table import THUNDER_CODES

RAIN_AHEAD_H = 24.0  # how far ahead "hours until rain" looks; beyond, it is infinite
COLD_LOOK_H = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What facts are read from: the prepared morning, and what the water truck could do, by row of the strip."""

    prepared: Prepared
    watered: Mapping[int, Outcome]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """One fact: its unit, what it means, and the function of (Known, row of the strip) that gives it.

    is_of_day     it is the same for every strip; is_of_water: it asks what the water truck could do
    """

    unit: str
    meaning: str
    of: Callable[[Known, int], float]
    is_of_day: bool = False
    is_of_water: bool = False


def best(known: Known, s: int, pick: Callable[[Stretch], float]) -> float:
    """Return a number of the strip's best stretch, 0 where no stretch fits into today."""
    chosen = known.prepared.best[s]
    return 0.0 if chosen is None else pick(chosen)


def chance_of_rain(known: Known, s: int) -> float:
    """Return the chance of rain in the driest stretch of those that frost and storm leave, 0 where none fits."""
    prepared = known.prepared
    candidates = prepared.candidates[s]
    if not candidates:
        return 0.0
    chances = np.array([c.chance_of_rain for c in candidates])
    if np.any(np.isnan(chances)):
        return math.nan
    free = [
        np.all((prepared.cond.is_unfrozen[part, s] == 1.0) & (prepared.cond.is_calm[part] == 1.0))
        for c in candidates
        if (part := rows(prepared.cond, c.start_h, c.end_h + prepared.seal_h)) is not None
    ]
    return float(np.min(chances[free] if any(free) else chances))


def unknown_rain(known: Known, _s: int) -> float:
    """Return the hours from now to the end of today's work whose rain is not known [h], 0 where no work is left."""
    prepared = known.prepared
    inputs, today = prepared.inputs, prepared.today
    part = rows(prepared.cond, epoch_h(inputs.now_utc), today.until_h)
    if today.hours <= 0.0:
        return 0.0
    unknown = on_hours(inputs, inputs.weather.rain_unknown.astype(np.float64))
    return math.nan if part is None else float(np.sum(unknown[part]))


def hours_until_rain(known: Known, s: int, from_h: float) -> float:
    """Return hours until rain is likely to have come, in any hour so far; infinity where it is not within a day."""
    cond, inputs = known.prepared.cond, known.prepared.inputs
    first = max(math.floor(from_h) - cond.first_h, 0)
    for row in range(first, min(first + int(RAIN_AHEAD_H), len(cond.is_calm))):
        chance = 1.0 - share(np.minimum.reduce(cond.is_rainless[first : row + 1, s]))
        if math.isnan(chance):
            return math.nan
        if chance > inputs.setting("rain_chance_stop"):
            return max(cond.first_h + row - from_h, 0.0)
    return math.nan if math.isnan(inputs.setting("rain_chance_stop")) else math.inf


def rain_free(known: Known, s: int) -> float:
    """Return hours from the start of the best stretch until rain."""
    chosen = known.prepared.best[s]
    return math.inf if chosen is None else hours_until_rain(known, s, chosen.start_h)


def rain_in_window(known: Known, s: int) -> float:
    """Return the greatest expected hourly rain of the best stretch [mm/h], 0 where none fits."""
    chosen = known.prepared.best[s]
    if chosen is None:
        return 0.0
    part = rows(known.prepared.cond, chosen.start_h, chosen.end_h) if not math.isnan(chosen.end_h) else None
    if part is None:
        return math.nan
    return float(np.max(np.mean(known.prepared.cond.rain_mm[part, s], axis=1)))


def rain_today(known: Known, s: int) -> float:
    """Return the greatest expected hourly rain of the working hours left [mm/h], 0 where none are left."""
    today, cond = known.prepared.today, known.prepared.cond
    part = rows(cond, today.from_h, today.until_h)
    if today.hours <= 0.0:
        return 0.0
    return math.nan if part is None else float(np.max(np.mean(cond.rain_mm[part, s], axis=1)))


def evaporation(known: Known, _s: int) -> float:
    """Return the mean reference evapotranspiration of the working hours left [mm/h], 0 where none are left."""
    prepared = known.prepared
    if prepared.today.hours <= 0.0:
        return 0.0
    total = amount_between(prepared.cond, prepared.inputs.et0_mm, prepared.today.from_h, prepared.today.until_h)
    return float(total) / prepared.today.hours


def at_start(known: Known, s: int, path: Floats | ByStrip) -> Floats:
    """Return the members of a strip where work begins today, NaN outside the table.

    Water that was put on has soaked in then.
    """
    begins_h = soaked(known.prepared.inputs, s, known.prepared.today).from_h
    row = known.prepared.row_at(begins_h)
    return np.full(known.prepared.inputs.n_members(s), np.nan) if row is None else np.asarray(path[row, s])


def thunder(known: Known, _s: int) -> float:
    """Return the greatest chance of thunder of the working hours left, 1 where a weather code says so, 0 where none."""
    prepared = known.prepared
    part = rows(prepared.cond, prepared.today.from_h, prepared.today.until_h)
    if part is None or prepared.today.hours <= 0.0:
        return 0.0
    weather = prepared.inputs.weather
    chance = np.nan_to_num(on_hours(prepared.inputs, weather.thunder_chance)[part], nan=0.0)
    codes = on_hours(prepared.inputs, weather.weather_code)[part]
    return float(max(np.max(chance, initial=0.0), 1.0 if np.any(np.isin(codes, THUNDER_CODES)) else 0.0))


def deviation(known: Known, s: int, path: Floats | ByStrip) -> float:
    """Return the mean deviation from optimum where work begins [% points]."""
    inputs = known.prepared.inputs
    return float(np.mean(at_start(known, s, path))) - inputs.material(inputs.strips[s]).omc_pct


def chance_rain_does_it(known: Known, s: int) -> float:
    """Return the share of members that rain brings up to the target, by the model: what a surface sheds brings nothing.

    NaN where rain or moisture of those hours is unknown.
    """
    prepared = known.prepared
    inputs, from_h = prepared.inputs, prepared.today.from_h
    strip = inputs.strips[s]
    wait_h, least_mm = inputs.setting("rain_wait_h"), inputs.setting("dose_min_litres_m2")
    if math.isnan(wait_h + least_mm):
        return math.nan
    part = rows(prepared.cond, from_h, min(from_h + wait_h, prepared.cond.first_h + float(len(inputs.hour_utc))))
    if part is None:
        return math.nan
    path = inputs.w_pct[part.start : part.stop + 1, s]
    rain_mm = prepared.cond.rain_mm[part, s].sum(axis=0)
    if np.any(np.isnan(path)) or np.any(np.isnan(rain_mm)):
        return math.nan
    mass, target = strip.dry_mass_kg_m2, dose.target_w_pct(inputs.material(strip))
    gained_mm = (path.max(axis=0) - path[0]) / 100.0 * mass
    missing_mm = np.maximum(dose.water_litres(mass, path[0], target), least_mm)
    return float(np.mean(np.minimum(gained_mm, rain_mm) >= missing_mm - 1e-9))


def coldest(known: Known, _s: int) -> float:
    """Return the lowest temperature of air and surface in the hours before work, infinity where none is known."""
    prepared = known.prepared
    until_h = prepared.today.from_h + 1.0
    weather = prepared.inputs.weather
    air, surface = on_hours(prepared.inputs, weather.temp_degc), on_hours(prepared.inputs, weather.surface_temp_degc)
    temp = np.where(np.isnan(surface), air, np.minimum(air, surface))
    first = max(math.floor(until_h - COLD_LOOK_H) - prepared.cond.first_h, 0)
    part = temp[first : max(math.ceil(until_h) - prepared.cond.first_h, first)]
    return float(np.min(part[~np.isnan(part)], initial=np.inf))
