"""What a mail is made of: phrase keys with typed gaps. Every number is rounded here, once, for both unit systems."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from gonogo import units


@dataclass(frozen=True, slots=True, kw_only=True)
class Amount:
    """A quantity as readers of either unit system see it: (rounded value, decimals, unit). NaN is "unknown"."""

    metric: tuple[float, int, str]
    us: tuple[float, int, str]

    def shown(self, unit_system: str) -> tuple[float, int, str]:
        return {"metric": self.metric, "us": self.us}[unit_system]


@dataclass(frozen=True, slots=True, kw_only=True)
class Number:
    """A bare number with a fixed number of decimals, already rounded."""

    value: float
    decimals: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Chance:
    """A chance in whole per cent, or NaN. 0 and 100 are shown as "under 1" and "over 99": a model is never sure.

    is_brief   for the cell of a table: "<1%"
    """

    pct: float
    is_brief: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Duration:
    """A length of time in whole minutes, or NaN; infinite where there is no end or no beginning."""

    minutes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """A moment on the site's clock. is_other_day: shown with its date; is_near: of that date the weekday alone."""

    at_local: datetime
    is_other_day: bool
    is_near: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """From one moment to another. is_brief: "7:25–8:40 AM", for a row."""

    start: Moment
    end: Moment
    is_brief: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """A local date. form: "weekday" (Wed), "head" (Wed 25), "short" (Wed 25 Nov) or "long" (full, with the year)."""

    day: date
    form: str = "short"


@dataclass(frozen=True, slots=True, kw_only=True)
class Names:
    """Names or phrases that the language joins with its commas and its "and"."""

    items: tuple[str | Phrase, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """Names or phrases one after the other with commas alone, where an "and" would be too long."""

    items: tuple[str | Phrase, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Phrase:
    """A key of words/<language>.toml and what goes into its gaps. The gap `n` chooses the plural form."""

    key: str
    gaps: Mapping[str, Gap] = field(default_factory=dict)


Gap = Amount | Number | Chance | Duration | Moment | Span | Day | Names | Listed | Phrase | str | int


def phrase(key: str, **gaps: Gap) -> Phrase:
    """Return a phrase with its gaps by name."""
    return Phrase(key=key, gaps=gaps)


def amount(quantity: str, si_value: float) -> Amount:
    """Return a quantity of units.QUANTITIES, rounded for both unit systems."""
    known = si_value if math.isfinite(si_value) else math.nan
    return Amount(metric=units.shown(quantity, known, "metric"), us=units.shown(quantity, known, "us"))


def hourly(quantity: str, si_value: float) -> Amount:
    """Return a quantity for each hour."""
    whole = amount(quantity, si_value)
    return Amount(
        metric=(whole.metric[0], whole.metric[1], f"{whole.metric[2]}/h"),
        us=(whole.us[0], whole.us[1], f"{whole.us[2]}/h"),
    )


def a_minute(quantity: str, si_value: float) -> Amount:
    """Return a quantity for each minute."""
    whole = amount(quantity, si_value)
    return Amount(
        metric=(whole.metric[0], whole.metric[1], f"{whole.metric[2]}/min"),
        us=(whole.us[0], whole.us[1], f"{whole.us[2]}/min"),
    )


def total(amounts: tuple[Amount, ...]) -> Amount:
    """Return the sum of what is shown, so that a reader who adds up the lines gets the printed total."""

    def summed(system: str) -> tuple[float, int, str]:
        rows = [a.shown(system) for a in amounts]
        return round(math.fsum(r[0] for r in rows), rows[0][1]), rows[0][1], rows[0][2]

    return Amount(metric=summed("metric"), us=summed("us"))


def rest(whole: Amount, part: Amount, n_parts: int) -> Amount:
    """Return what a whole leaves after so many parts, in shown numbers, never below zero."""

    def left(system: str) -> tuple[float, int, str]:
        value, decimals, unit = whole.shown(system)
        return max(round(value - n_parts * part.shown(system)[0], decimals), 0.0), decimals, unit

    return Amount(metric=left("metric"), us=left("us"))


def chance(share: float) -> Chance:
    """Return a chance of 0 to 1 in whole per cent."""
    return Chance(pct=share if math.isnan(share) else float(math.floor(min(max(share, 0.0), 1.0) * 100 + 0.5 + 1e-9)))


def chance_ahead(share: float, *, is_far: bool) -> Chance:
    """Return a chance in whole per cent, in steps of 5 where the day lies far ahead: nobody knows it closer."""
    near = chance(share)
    return near if not is_far or math.isnan(share) else Chance(pct=5.0 * math.floor(near.pct / 5.0 + 0.5))


def share(value: float) -> Amount:
    """Return a share of 0 to 1 in whole per cent: one that is set, and so may be 0 or 100."""
    return amount("rh_pct", 100.0 * value)


def whole(value: float) -> Number:
    """Return a count or whole hours; a half counts up, as everywhere."""
    return Number(value=value if math.isnan(value) else float(math.floor(value + 0.5 + 1e-9)))


def duration(hours: float, *, step_min: int = 10) -> Duration:
    """Return a length of time rounded to the step; a length over zero never becomes zero."""
    if not math.isfinite(hours):
        return Duration(minutes=hours)
    steps = math.floor(abs(hours) * 60 / step_min + 0.5 + 1e-9)
    return Duration(minutes=float(max(steps, 1 if hours else 0) * step_min))


def moment(at_utc: datetime, zone: ZoneInfo, day: date, *, to: str = "nearest", step_min: int = 5) -> Moment:
    """Return a moment on the site's clock, rounded to the step: to = "nearest", "earlier" or "later".

    A start of work is rounded later and an end earlier, so that rounding never lengthens a window.
    """
    step_s = step_min * 60
    stamp = at_utc.timestamp()
    steps = {
        "nearest": math.floor(stamp / step_s + 0.5),
        "earlier": math.floor(stamp / step_s),
        "later": math.ceil(stamp / step_s),
    }[to]
    # Counted in UTC: on a day when the clock is set, wall-clock sums would be an hour out.
    at_local = (at_utc + timedelta(seconds=steps * step_s - stamp)).astimezone(zone)
    return Moment(at_local=at_local, is_other_day=at_local.date() != day)


# The unit that closes a fact's name says how it is shown. Longer endings first.
_ENDINGS = (
    ("_litres_m2_per_pass", "litres_m2"),
    ("_litres_m2", "litres_m2"),
    ("_litres_m3", "litres_m3"),
    ("_litres", "litres"),
    ("_pct", "w_pct"),
    ("_mm", "rain_mm"),
    ("_degc", "temp_degc"),
    ("_m_s", "wind_m_s"),
    ("_km_h", "speed_km_h"),
    ("_kg_m3", "dry_density_kg_m3"),
    ("_m2", "area_m2"),
    ("layer_max_m", "thickness_m"),
    ("_thickness_m", "thickness_m"),
    ("_m", "length_m"),
)


def gap(name: str, si_value: float) -> Gap:
    """Return a fact's number as a gap, by the unit in its name ("hours_until_rain_h", "chance_too_wet", "n_loads").

    Raises KeyError for a name whose ending is no unit: such a number has no form that a reader could trust.
    """
    if name == "chance" or name.startswith("chance_") or name.endswith(("_chance", "_frac")):
        return chance(si_value)
    if name.endswith("_mm_h"):
        return hourly("rain_mm", si_value)
    if name.endswith("_ratio"):
        return Number(value=round(si_value, 2), decimals=2)
    for ending, quantity in _ENDINGS:
        if name.endswith(ending) or name == ending[1:]:
            return amount(quantity, si_value)
    if name.endswith("_h"):
        return duration(si_value)
    if name.startswith("n_") or name in ("passes", "loads", "lift"):
        return Number(value=si_value)
    raise KeyError(f"{name}: the name ends in no unit that a mail can show")
