"""Everything a rule or a sentence may ask: one number a strip, with unit, meaning and where it comes from.

A yes/no fact is 1 or 0. NaN = unknown; "not applicable" is 0, 1 or infinity, as the meaning says.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from gonogo.decide import rolling
from gonogo.decide.inputs import Floats, MorningInputs, on_hours
from gonogo.decide.today import Prepared
from gonogo.decide.water import dose
from gonogo.decide.windows import THUNDER_CODES, Stretch, amount_between, epoch_h, longest_run_h, rows
from gonogo.records.site import Surface
from gonogo.weather.forecast_status import ForecastStatus

__all__ = ["FACTS", "Fact", "Known", "MorningInputs", "collect"]

RAIN_LOOK_H = 24.0  # how far ahead "hours until rain" looks; beyond, it is infinite
COLD_LOOK_H = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What facts are read from: the prepared morning, and what the water truck could do, by row of the strip."""

    prepared: Prepared
    watered: Mapping[int, dose.Outcome]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """One fact: its unit, what it means, and the function of (Known, row of the strip) that gives it."""

    unit: str
    meaning: str
    of: Callable[[Known, int], float]


def _best(known: Known, s: int, pick: Callable[[Stretch], float]) -> float:
    """Return a number of the strip's best stretch, 0 where no stretch fits into today."""
    chosen = known.prepared.best[s]
    return 0.0 if chosen is None else pick(chosen)


def _chance_of_rain(known: Known, s: int) -> float:
    """Return the chance of rain in the driest stretch of those that frost and storm leave, 0 where none fits."""
    prepared = known.prepared
    candidates = prepared.candidates[s]
    if not candidates:
        return 0.0
    chances = np.array([c.chance_of_rain for c in candidates])
    if np.any(np.isnan(chances)):
        return math.nan
    free = [
        np.all((prepared.cond.is_unfrozen[part] == 1.0) & (prepared.cond.is_calm[part] == 1.0))
        for c in candidates
        if (part := rows(prepared.cond, c.start_h, c.end_h + prepared.seal_h)) is not None
    ]
    return float(np.min(chances[free] if any(free) else chances))


def _hours_until_rain(known: Known, from_h: float) -> float:
    """Return hours until the first hour that is likely rainy, infinity where there is none within a day."""
    cond, inputs = known.prepared.cond, known.prepared.inputs
    first = max(math.floor(from_h) - cond.first_h, 0)
    for row in range(first, min(first + int(RAIN_LOOK_H), len(cond.is_calm))):
        chance = 1.0 - float(np.mean(cond.is_rainless[row]))
        if math.isnan(chance):
            return math.nan
        if chance > inputs.setting("rain_chance_stop"):
            return max(cond.first_h + row - from_h, 0.0)
    return math.nan if math.isnan(inputs.setting("rain_chance_stop")) else math.inf


def _rain_free(known: Known, s: int) -> float:
    """Return hours from the start of the best stretch until rain."""
    chosen = known.prepared.best[s]
    return math.inf if chosen is None else _hours_until_rain(known, chosen.start_h)


def _rain_in_window(known: Known, s: int) -> float:
    """Return the greatest expected hourly rain of the best stretch [mm/h], 0 where none fits."""
    chosen = known.prepared.best[s]
    if chosen is None:
        return 0.0
    part = rows(known.prepared.cond, chosen.start_h, chosen.end_h) if not math.isnan(chosen.end_h) else None
    if part is None:
        return math.nan
    return float(np.max(np.mean(known.prepared.cond.rain_mm[part], axis=1)))


def _rain_today(known: Known, _s: int) -> float:
    """Return the greatest expected hourly rain of the working hours left [mm/h], 0 where none are left."""
    today, cond = known.prepared.today, known.prepared.cond
    part = rows(cond, today.from_h, today.until_h)
    if today.hours <= 0.0:
        return 0.0
    return math.nan if part is None else float(np.max(np.mean(cond.rain_mm[part], axis=1)))


def _evaporation(known: Known, _s: int) -> float:
    """Return the mean reference evapotranspiration of the working hours left [mm/h], 0 where none are left."""
    prepared = known.prepared
    if prepared.today.hours <= 0.0:
        return 0.0
    total = amount_between(prepared.cond, prepared.inputs.et0_mm, prepared.today.from_h, prepared.today.until_h)
    return float(total) / prepared.today.hours


def _at_start(known: Known, s: int, path: Floats) -> Floats:
    """Return the members of a strip where work begins today, NaN outside the table."""
    row = known.prepared.row_at(known.prepared.today.from_h)
    return np.full(path.shape[2], np.nan) if row is None else path[row, s]


def _thunder(known: Known, _s: int) -> float:
    """Return the greatest chance of thunder of the working hours left, 1 where a weather code says so, 0 where none."""
    prepared = known.prepared
    part = rows(prepared.cond, prepared.today.from_h, prepared.today.until_h)
    if part is None or prepared.today.hours <= 0.0:
        return 0.0
    weather = prepared.inputs.weather
    chance = np.nan_to_num(on_hours(prepared.inputs, weather.thunder_chance)[part], nan=0.0)
    codes = on_hours(prepared.inputs, weather.weather_code)[part]
    return float(max(np.max(chance, initial=0.0), 1.0 if np.any(np.isin(codes, THUNDER_CODES)) else 0.0))


def _deviation(known: Known, s: int, path: Floats) -> float:
    """Return the mean deviation from optimum where work begins [% points]."""
    inputs = known.prepared.inputs
    return float(np.mean(_at_start(known, s, path))) - inputs.material(inputs.strips[s]).omc_pct


def _chance_rain_does_it(known: Known, s: int) -> float:
    """Return the share of members whose rain brings what is missing up to the target."""
    prepared = known.prepared
    inputs, from_h = prepared.inputs, prepared.today.from_h
    strip = inputs.strips[s]
    rain = amount_between(
        prepared.cond,
        prepared.cond.rain_mm,
        from_h,
        min(from_h + inputs.setting("rain_wait_h"), prepared.cond.first_h + float(len(inputs.hour_utc))),
    )
    target = dose.target_w_pct(inputs.material(strip))
    missing = dose.water_litres(strip.dry_mass_kg_m2, _at_start(known, s, inputs.w_pct), target)
    values = rain + missing
    if np.any(np.isnan(values)) or math.isnan(inputs.setting("dose_min_litres_m2")):
        return math.nan
    return float(np.mean(rain >= np.maximum(missing, inputs.setting("dose_min_litres_m2"))))


def _coldest(known: Known, _s: int) -> float:
    """Return the lowest temperature of the hours before work, infinity where none is known."""
    prepared = known.prepared
    until_h = prepared.today.from_h + 1.0
    temp = on_hours(prepared.inputs, prepared.inputs.weather.temp_degc)
    first = max(math.floor(until_h - COLD_LOOK_H) - prepared.cond.first_h, 0)
    part = temp[first : max(math.ceil(until_h) - prepared.cond.first_h, first)]
    return float(np.min(part[~np.isnan(part)], initial=np.inf))


def _strip(known: Known, s: int, pick: Callable[[MorningInputs, int], float | bool]) -> float:
    """Return a number that follows from the strip's own records."""
    return float(pick(known.prepared.inputs, s))


def _of_strip(unit: str, meaning: str, pick: Callable[[MorningInputs, int], float | bool]) -> Fact:
    return Fact(unit=unit, meaning=meaning, of=lambda k, s: _strip(k, s, pick))


def _of_day(unit: str, meaning: str, pick: Callable[[Prepared], float | bool]) -> Fact:
    return Fact(unit=unit, meaning=meaning, of=lambda k, _s: float(pick(k.prepared)))


def _of_best(meaning: str, pick: Callable[[Stretch], float]) -> Fact:
    return Fact(unit="-", meaning=f"{meaning}; 0 where no stretch fits into today", of=lambda k, s: _best(k, s, pick))


def _watered(known: Known, s: int, pick: Callable[[dose.Outcome], float], otherwise: float) -> float:
    return pick(known.watered[s]) if s in known.watered else otherwise


FACTS: dict[str, Fact] = {
    "yes": _of_day("-", "the number that a yes/no fact has for yes", lambda _p: 1.0),
    "no": _of_day("-", "the number that a yes/no fact has for no", lambda _p: 0.0),
    # --- forecast and day
    "is_forecast_usable": _of_day(
        "yes/no", "forecast not rejected", lambda p: p.inputs.weather.status != ForecastStatus.NONE
    ),
    "is_forecast_old": _of_day(
        "yes/no", "forecast 6 to 24 h old", lambda p: p.inputs.weather.status == ForecastStatus.OLD
    ),
    "forecast_age_h": _of_day(
        "h", "age of the forecast", lambda p: epoch_h(p.inputs.now_utc) - epoch_h(p.inputs.weather.fetched_utc)
    ),
    "is_working_day": _of_day("yes/no", "the site works today", lambda p: p.today.is_working_day),
    "working_hours_left_h": _of_day("h", "working hours left today, with daylight", lambda p: p.today.hours),
    "chance_needed": _of_day("-", "chance from which a strip is compacted", lambda p: p.chance_needed),
    "chance_spare": _of_day("-", "1 - chance_needed", lambda p: 1.0 - p.chance_needed),
    # --- time
    "rolling_time_h": Fact(
        unit="h", meaning="time that rolling the strip takes", of=lambda k, s: k.prepared.rolling_h[s]
    ),
    "time_needed_h": Fact(
        unit="h", meaning="rolling and sealing time", of=lambda k, s: k.prepared.rolling_h[s] + k.prepared.seal_h
    ),
    # --- weather today
    "longest_unfrozen_h": _of_day(
        "h", "longest unfrozen run of working hours", lambda p: longest_run_h(p.cond.is_unfrozen, p.cond, p.today)
    ),
    "longest_calm_h": _of_day(
        "h", "longest run of working hours without storm", lambda p: longest_run_h(p.cond.is_calm, p.cond, p.today)
    ),
    "longest_workable_h": _of_day(
        "h",
        "longest run of working hours without frost and storm",
        lambda p: longest_run_h(p.cond.is_unfrozen * p.cond.is_calm, p.cond, p.today),
    ),
    "chance_of_rain": Fact(
        unit="-",
        meaning="chance of rain above the stop in the driest stretch; 0 where none fits into today",
        of=_chance_of_rain,
    ),
    "hours_until_rain_h": Fact(
        unit="h",
        meaning="hours from the start of work until likely rain, infinite where none is due within 24 h",
        of=lambda k, _s: _hours_until_rain(k, k.prepared.today.from_h),
    ),
    "rain_free_h": Fact(unit="h", meaning="hours from the start of the best stretch until likely rain", of=_rain_free),
    "rain_in_window_mm_h": Fact(
        unit="mm/h", meaning="greatest expected hourly rain in the best stretch", of=_rain_in_window
    ),
    "rain_today_mm_h": Fact(
        unit="mm/h", meaning="greatest expected hourly rain of the working hours left", of=_rain_today
    ),
    "thunder_chance": Fact(
        unit="-",
        meaning="greatest chance of thunder in the working hours left; 0 where no service speaks of it",
        of=_thunder,
    ),
    "evaporation_mm_h": Fact(
        unit="mm/h", meaning="mean reference evapotranspiration of the working hours left", of=_evaporation
    ),
    "coldest_12h_degc": Fact(unit="degC", meaning="lowest air temperature of the 12 h up to work", of=_coldest),
    # --- readings
    "has_reading": _of_strip("yes/no", "the lift has a moisture test", lambda i, s: i.reading_age_h[s] != math.inf),
    "reading_age_h": _of_strip("h", "age of that test, infinite without one", lambda i, s: i.reading_age_h[s]),
    "rained_since_reading_mm": _of_strip("mm", "rain since that test", lambda i, s: i.rained_since_reading_mm[s]),
    "is_reading_doubtful": _of_strip(
        "yes/no",
        "the newest test cannot be, or lies far from what weather and earlier tests say, and no second one agrees",
        lambda i, s: 0.0 if i.reading_doubtful is None else i.reading_doubtful[s],
    ),
    "is_water_unexplained": _of_strip(
        "yes/no",
        "tests find more water than rain and truck explain",
        lambda i, s: 0.0 if i.water_unexplained is None else i.water_unexplained[s],
    ),
    # --- moisture
    "chance_in_window": _of_best(
        "chance that the lift is inside its window, dry and unfrozen during the whole best stretch",
        lambda c: c.chance_in_window,
    ),
    "chance_too_wet": _of_best(
        "chance that the lift is above the wet edge at any time of the best stretch", lambda c: c.chance_too_wet
    ),
    "chance_too_dry": _of_best(
        "chance that the lift is below the dry edge at any time of the best stretch", lambda c: c.chance_too_dry
    ),
    "chance_split": _of_best(
        "chance that the mean is right and the halves are outside on opposite sides", lambda c: c.chance_split
    ),
    "deviation_pct": Fact(
        unit="% points",
        meaning="mean deviation from optimum where work begins",
        of=lambda k, s: _deviation(k, s, k.prepared.inputs.w_pct),
    ),
    "top_deviation_pct": Fact(
        unit="% points",
        meaning="mean deviation of the top half where work begins",
        of=lambda k, s: _deviation(k, s, k.prepared.inputs.w_top_pct),
    ),
    "window_low_pct": _of_strip(
        "% points", "dry edge of the window", lambda i, s: i.material(i.strips[s]).window_low_pct
    ),
    "window_high_pct": _of_strip(
        "% points", "wet edge of the window", lambda i, s: i.material(i.strips[s]).window_high_pct
    ),
    "moisture_ratio": Fact(
        unit="-",
        meaning="mean water content over optimum where work begins",
        of=lambda k, s: float(
            np.mean(_at_start(k, s, k.prepared.inputs.w_pct))
            / k.prepared.inputs.material(k.prepared.inputs.strips[s]).omc_pct
        ),
    ),
    # --- water
    "has_truck": _of_strip("yes/no", "the crew has a water truck", lambda i, s: i.crew(i.strips[s]).truck is not None),
    "is_mixable": _of_strip(
        "yes/no",
        "the mixer reaches through the lift",
        lambda i, s: i.strips[s].lift_thickness_m <= i.site.mixing_depth_m,
    ),
    "chance_rain_does_it": Fact(
        unit="-", meaning="chance that rain within rain_wait_h brings the water missing", of=_chance_rain_does_it
    ),
    "dose_litres_m2": Fact(
        unit="L/m2",
        meaning="water to put on; infinite where none is asked for",
        of=lambda k, s: _watered(k, s, lambda o: o.dose_litres_m2, math.inf),
    ),
    "is_water_in_time": Fact(
        unit="yes/no",
        meaning="the water can be put on, soak in and be rolled today; yes where none is asked for",
        of=lambda k, s: _watered(k, s, lambda o: o.is_in_time, 1.0),
    ),
    "is_truck_taken": Fact(
        unit="yes/no",
        meaning="there would be time for the water, were the truck not needed by other strips",
        of=lambda k, s: _watered(k, s, lambda o: o.is_taken, 0.0),
    ),
    # --- for sentences
    "is_rolled": _of_strip("yes/no", "the present lift has been rolled", lambda i, s: i.is_rolled(s)),
    "is_sealed": _of_strip("yes/no", "the surface is sealed", lambda i, s: i.surface(s) == Surface.SEALED),
    "is_granular": _of_strip("yes/no", "clean granular soil", lambda i, s: i.material(i.strips[s]).is_granular),
    "drum_suits": _of_strip(
        "yes/no",
        "the drum suits the soil",
        lambda i, s: rolling.drum_suits(i.crew(i.strips[s]).roller, i.material(i.strips[s])),
    ),
    "is_vibration_off": _of_strip(
        "yes/no",
        "the drum must not vibrate here",
        lambda i, s: rolling.must_not_vibrate(i.strips[s], i.crew(i.strips[s]).roller, i.settings),
    ),
    "vibration_caution_m": _of_day(
        "m",
        "distance to a structure within which the drum must not vibrate",
        lambda p: rolling.vibration_caution_m(p.inputs.setting("vibration_limit_mm_s")),
    ),
    "rolling_speed_km_h": _of_strip("km/h", "the roller's speed", lambda i, s: i.crew(i.strips[s]).roller.speed_km_h),
}


def collect(known: Known) -> dict[str, Floats]:
    """Return every fact by name, (S,); NaN = unknown."""
    n_strips = len(known.prepared.inputs.strips)
    return {name: np.array([fact.of(known, s) for s in range(n_strips)]) for name, fact in FACTS.items()}
