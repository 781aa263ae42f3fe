"""Everything a rule or a sentence may ask: one number per strip, with unit, meaning and where it comes from.

A yes/no fact is 1 or 0. NaN = unknown; "not applicable" is 0, 1 or infinity, as the meaning says.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np

from gonogo.decide import measures, more_tests, rolling
from gonogo.decide.ground_facts import GROUND_FACTS
from gonogo.decide.inputs import Floats, MorningInputs
from gonogo.decide.lasting import Flags
from gonogo.decide.lift_facts import LIFT_FACTS
from gonogo.decide.measures import Fact, Known
from gonogo.decide.outside import OUTSIDE_FACTS
from gonogo.decide.today import Prepared
from gonogo.decide.water.forecast import borrow_litres_m3
from gonogo.decide.water.watering import Outcome
from gonogo.decide.water_facts import WATER_FACTS
from gonogo.decide.windows import Stretch, epoch_h, longest_run_h
from gonogo.records.site import Surface
from gonogo.weather.forecast_status import ForecastStatus

__all__ = ["FACTS", "Fact", "Known", "MorningInputs", "collect"]


def _of_strip(unit: str, meaning: str, pick: Callable[[MorningInputs, int], float | bool]) -> Fact:
    return Fact(unit=unit, meaning=meaning, of=lambda k, s: float(pick(k.prepared.inputs, s)))


def _of_day(unit: str, meaning: str, pick: Callable[[Prepared], float | bool]) -> Fact:
    return Fact(unit=unit, meaning=meaning, of=lambda k, _s: float(pick(k.prepared)), is_of_day=True)


def _of_best(meaning: str, pick: Callable[[Stretch], float]) -> Fact:
    return Fact(
        unit="-", meaning=f"{meaning}; 0 where no stretch fits into today", of=lambda k, s: measures.best(k, s, pick)
    )


def _longest(prepared: Prepared, holds: Flags) -> float:
    return longest_run_h(holds, prepared.cond, prepared.today)


def _of_water(unit: str, meaning: str, pick: Callable[[Outcome], float], otherwise: float) -> Fact:
    return Fact(
        unit=unit,
        meaning=meaning,
        of=lambda k, s: pick(k.watered[s]) if s in k.watered else otherwise,
        is_of_water=True,
    )


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
    # --- weather today, and the strip as weather leaves it
    **OUTSIDE_FACTS,
    **GROUND_FACTS,
    "longest_unfrozen_h": Fact(
        unit="h",
        meaning="longest unfrozen run of working hours",
        of=lambda k, s: _longest(k.prepared, k.prepared.cond.is_unfrozen[:, s]),
    ),
    "longest_calm_h": _of_day("h", "longest run of working hours without storm", lambda p: _longest(p, p.cond.is_calm)),
    "wind_limit_m_s": _of_day("m/s", "wind at which the site stops", lambda p: p.inputs.setting("wind_stop_m_s")),
    "longest_workable_h": Fact(
        unit="h",
        meaning="longest run of working hours without frost and storm",
        of=lambda k, s: _longest(k.prepared, k.prepared.cond.is_unfrozen[:, s] * k.prepared.cond.is_calm),
    ),
    "chance_of_rain": Fact(
        unit="-",
        meaning="chance of rain above the stop in the driest stretch; 0 where none fits into today",
        of=measures.chance_of_rain,
    ),
    "unknown_rain_h": Fact(
        unit="h",
        meaning="hours from now to the end of work whose rain no service told, or told against itself",
        of=measures.unknown_rain,
    ),
    "hours_until_rain_h": Fact(
        unit="h",
        meaning="hours from the start of work until likely rain, infinite where none is due within 24 h",
        of=lambda k, s: measures.hours_until_rain(k, s, k.prepared.today.from_h),
    ),
    "rain_free_h": Fact(
        unit="h", meaning="hours from the start of the best stretch until likely rain", of=measures.rain_free
    ),
    "rain_in_window_mm_h": Fact(
        unit="mm/h", meaning="greatest expected hourly rain in the best stretch", of=measures.rain_in_window
    ),
    "rain_today_mm_h": Fact(
        unit="mm/h", meaning="greatest expected hourly rain of the working hours left", of=measures.rain_today
    ),
    "thunder_chance": Fact(
        unit="-",
        meaning="greatest chance of thunder in the working hours left; 0 where no service speaks of it",
        of=measures.thunder,
        is_of_day=True,
    ),
    "evaporation_mm_h": Fact(
        unit="mm/h", meaning="mean reference evapotranspiration of the working hours left", of=measures.evaporation
    ),
    "coldest_12h_degc": Fact(unit="degC", meaning="lowest air temperature of the 12 h up to work", of=measures.coldest),
    # --- readings
    "has_reading": _of_strip("yes/no", "the lift has a moisture test", lambda i, s: i.reading_age_h[s] != math.inf),
    "reading_age_h": _of_strip("h", "age of that test, infinite without one", lambda i, s: i.reading_age_h[s]),
    "rained_since_reading_mm": _of_strip("mm", "rain since that test", lambda i, s: i.rained_since_reading_mm[s]),
    "is_reading_doubtful": _of_strip(
        "yes/no",
        "the newest test is impossible, or lies far from what weather and earlier tests say, and no second one agrees",
        lambda i, s: i.column(i.reading_doubtful, s),
    ),
    "last_test_pct": _of_strip(
        "%",
        "what the newest test that counts says of the lift; unknown without one",
        lambda i, s: math.nan if i.last_test_pct is None else i.last_test_pct[s],
    ),
    "is_test_outside": _of_strip(
        "yes/no", "that test lies outside the window", lambda i, s: i.test_outside_pct(s) != 0.0
    ),
    "is_water_unexplained": _of_strip(
        "yes/no",
        "tests find more water than rain and truck explain",
        lambda i, s: i.column(i.water_unexplained, s),
    ),
    "is_work_unknown": _of_strip(
        "yes/no",
        "watering or rolling told on an earlier day is neither recorded nor settled by a test",
        lambda i, s: i.column(i.work_unknown, s),
    ),
    **WATER_FACTS,
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
    "chance_crusted": _of_best(
        "chance that the mean is inside the window and the top drier than it where the best stretch begins",
        lambda c: c.chance_crusted,
    ),
    "n_more_tests": Fact(
        unit="count",
        meaning="further gauge tests that would release the strip if they agree with what is expected; 0 = none would",
        of=more_tests.tests_to_settle,
    ),
    "chance_after_tests": Fact(
        unit="-", meaning="chance in the window after so many tests", of=more_tests.chance_after_tests
    ),
    "deviation_pct": Fact(
        unit="% points",
        meaning="mean deviation from optimum where work begins",
        of=lambda k, s: measures.deviation(k, s, k.prepared.inputs.w_pct),
    ),
    "top_deviation_pct": Fact(
        unit="% points",
        meaning="mean deviation of the top half where work begins",
        of=lambda k, s: measures.deviation(k, s, k.prepared.inputs.w_top_pct),
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
            np.mean(measures.at_start(k, s, k.prepared.inputs.w_pct))
            / k.prepared.inputs.material(k.prepared.inputs.strips[s]).omc_pct
        ),
    ),
    # --- water
    "has_truck": _of_strip("yes/no", "the crew has a water truck", lambda i, s: bool(i.trucks(i.strips[s]))),
    "is_mixable": _of_strip(
        "yes/no",
        "the mixer reaches through the lift, or water runs through it by itself",
        lambda i, s: i.material(i.strips[s]).is_granular or i.strips[s].lift_thickness_m <= i.site.mixing_depth_m,
    ),
    "chance_rain_does_it": Fact(
        unit="-", meaning="chance that rain in rain_wait_h brings the water missing", of=measures.chance_rain_does_it
    ),
    "dose_litres_m2": _of_water(
        "L/m2", "water to put on; infinite where none is wanted", lambda o: o.dose_litres_m2, math.inf
    ),
    "is_water_in_time": _of_water(
        "yes/no",
        "the water can be put on, soak in and be rolled today; yes where none is wanted",
        lambda o: o.is_in_time,
        1.0,
    ),
    "is_water_rained_on": _of_water(
        "yes/no",
        "there would be time for the water, did rain not fall into watering and soaking",
        lambda o: o.is_rained_on,
        0.0,
    ),
    "is_water_for_tomorrow": _of_water(
        "yes/no",
        "not in time today, but it can be watered this afternoon and soak until the next working day",
        lambda o: float(o.tomorrow is not None),
        0.0,
    ),
    "borrow_litres_m3": _of_strip(
        "L/m3",
        "what a cubic metre of the borrow lacks as it is spread; 0 where it is right, or no more lifts come",
        lambda i, s: (
            borrow_litres_m3(i.material(i.strips[s]), i.strips[s].dry_density_kg_m3) if i.strips[s].lifts > 1 else 0.0
        ),
    ),
    "is_truck_taken": _of_water(
        "yes/no",
        "there would be time for the water, were the truck not needed by other strips",
        lambda o: o.is_taken,
        0.0,
    ),
    # --- for sentences
    "is_rolled": _of_strip("yes/no", "the present lift has been rolled", lambda i, s: i.is_rolled(s)),
    "is_sealed": _of_strip("yes/no", "the surface is sealed", lambda i, s: i.surface(s) == Surface.SEALED),
    "is_natural": _of_strip("yes/no", "ground in place, no lift", lambda i, s: i.strips[s].ground == "natural"),
    "is_granular": _of_strip("yes/no", "clean granular soil", lambda i, s: i.material(i.strips[s]).is_granular),
    "drum_suits": _of_strip(
        "yes/no",
        "the drum suits the soil",
        lambda i, s: rolling.drum_suits(i.roller(i.strips[s]), i.material(i.strips[s])),
    ),
    "is_vibration_off": _of_strip(
        "yes/no",
        "the drum must not vibrate here",
        lambda i, s: rolling.must_not_vibrate(i.strips[s], i.roller(i.strips[s]), i.settings),
    ),
    "vibration_caution_m": _of_day(
        "m",
        "distance to a structure within which the drum must not vibrate",
        lambda p: rolling.vibration_caution_m(p.inputs.setting("vibration_limit_mm_s")),
    ),
    # --- the lift beyond its moisture
    **LIFT_FACTS,
    "is_roller_here": _of_strip(
        "yes/no", "a roller of its crew is on site today", lambda i, s: i.day not in i.roller(i.strips[s]).away
    ),
    "rolling_speed_km_h": _of_strip("km/h", "the roller's speed", lambda i, s: i.roller(i.strips[s]).speed_km_h),
}


def collect(known: Known, before: Mapping[str, Floats] | None = None) -> dict[str, Floats]:
    """Return every fact by name, (S,); NaN = unknown.

    before   of the same morning, before it was known what the water truck could do: the rest stands as it is there
    """
    n_strips = len(known.prepared.inputs.strips)
    return {
        name: before[name] if before is not None and not fact.is_of_water else _column(fact, known, n_strips)
        for name, fact in FACTS.items()
    }


def _column(fact: Fact, known: Known, n_strips: int) -> Floats:
    if fact.is_of_day and n_strips:
        return np.full(n_strips, fact.of(known, 0))
    return np.array([fact.of(known, s) for s in range(n_strips)])
