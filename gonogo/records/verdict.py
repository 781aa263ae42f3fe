"""What a morning concluded about each strip."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum


class Verdict(StrEnum):
    """What a crew is told for one strip."""

    COMPACT = "compact"
    WATER = "water"
    WAIT = "wait"


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleSeen:
    """One row of the rule table as it was judged for one strip: the numbers it saw and whether it held.

    saw    triples (fact or setting on the left, operator, right side) with their numbers, in words of the table
    held   None where a number was unknown
    """

    rule_id: str
    held: bool | None
    saw: tuple[tuple[str, float, str, str, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterPlan:
    """Water for one strip, SI, unrounded (wording/phrases.py rounds).

    Passes and speed are chosen so that the speed as it is printed puts on the dose to within 3 %.

    limited_by     "" or what cut the dose: "wet_edge", "rain", "maintain" (keep damp only)
    warnings       keys of WATER_WARNINGS, e.g. "dose_outside_usual", "retest_after_watering", "speed_outside_range"
    load_ends_m    distance along the strip at which each load runs out [m]
    """

    strip_id: str
    litres: float
    litres_m2: float
    w_now_pct: float
    w_target_pct: float
    evaporation_allowance_mm: float
    rain_credit_mm: float
    passes: int
    litres_m2_per_pass: float
    speed_km_h: float
    loads: int
    load_ends_m: tuple[float, ...]
    start_utc: datetime
    finish_utc: datetime
    truck_id: str
    limited_by: str = ""
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlookDay:
    """One strip on one local day.

    chance            chance that the whole rolling time finds the lift inside its window, dry and unfrozen
    workable_h        hours of the shift with at least the site's chance
    from_utc, until_utc   best stretch, None when there is none
    rain_mm           expected rain of the local day; rain_chance: chance of at least 1 mm
    chance_watered    the same chance if the strip is watered first, on that day; NaN where the truck cannot do it
    is_rolled         the present lift is rolled already: it waits for the next one, chances are 0
    is_working_day    False on weekends and holidays
    """

    strip_id: str
    day: date
    chance: float
    workable_h: float
    from_utc: datetime | None
    until_utc: datetime | None
    rain_mm: float
    rain_chance: float
    w_mean_pct: float
    w_p10_pct: float
    w_p90_pct: float
    is_working_day: bool
    chance_watered: float = math.nan
    is_rolled: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """The verdict for one strip this morning, with everything that made it.

    rule_id, reason     the row that decided and its reason key (a sentence in wording/words)
    from_utc, until_utc compact: rolling window; water: rolling window after watering; wait: None
    next_utc            wait: first hour likely to be workable, None when there is none in the horizon
    facts               every fact the rules could ask, by name; NaN = unknown
    seen                every rule row as judged
    advice              keys of sentences to stand under the verdict, in order ("seal_before_rain", ...)
    test                keys of tests asked for ("test_before_rolling", "retest_after_rain", ...)
    water               the dose for WATER, or a keep-damp dose for COMPACT, else None
    """

    strip_id: str
    verdict: Verdict
    rule_id: str
    reason: str
    from_utc: datetime | None
    until_utc: datetime | None
    next_utc: datetime | None
    facts: dict[str, float]
    seen: tuple[RuleSeen, ...]
    advice: tuple[str, ...]
    test: tuple[str, ...]
    water: WaterPlan | None
    w_now_pct: float
    w_p10_pct: float
    w_p90_pct: float
    w_top_pct: float
    w_base_pct: float
    reading_age_h: float
    rolling_time_h: float
