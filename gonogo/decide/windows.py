"""Which hours a strip can be rolled in: working hours, weather hour by hour, and the best stretch of them.

Hours are counted as float hours since 1970 UTC ("epoch hours"), so that a shift may begin on any minute. Conditions are
1 (holds), 0 (does not) or NaN (unknown); NaN runs through to every chance that it touches.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np
import numpy.typing as npt

from gonogo import times
from gonogo.decide import rolling
from gonogo.decide.inputs import Floats, MorningInputs, on_hours

THUNDER_CODES = (17.0, 29.0, 95.0, 96.0, 97.0, 98.0, 99.0)  # WMO code table 4677, present weather
FROST_MEMORY_H = 24  # ground stays frozen for a while after a frosty day: common practice, no source
_NUDGE_H = 1e-9


def epoch_h(at_utc: datetime) -> float:
    """Return a moment in epoch hours."""
    return at_utc.timestamp() / 3600.0


def moment(at_h: float) -> datetime:
    """Return epoch hours as a moment, to the second."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=round(at_h * 3600.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Working:
    """The hours of one local date in which the site can work [epoch h]; empty where from_h == until_h.

    On a day off the hours are those the shift would have.
    """

    day: date
    from_h: float
    until_h: float
    is_working_day: bool

    @property
    def hours(self) -> float:
        return max(self.until_h - self.from_h, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """Hour by hour, whether a roller could work.

    first_h        epoch hour of row 0
    rain_mm        (H, M) rain of the member in the hour
    is_rainless    (H, M) that rain below the site's stop
    is_unfrozen    (H,)
    is_calm        (H,) no thunderstorm, wind below the site's stop
    is_inside      (H, S, M) mean of the lift inside its window and the lift not split, at the start of the hour
    is_too_wet, is_too_dry, is_split   (H, S, M) at the start of the hour
    """

    first_h: int
    rain_mm: Floats
    is_rainless: Floats
    is_unfrozen: Floats
    is_calm: Floats
    is_inside: Floats
    is_too_wet: Floats
    is_too_dry: Floats
    is_split: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """One stretch of rolling hours of a strip, with its chances over the members (NaN = unknown)."""

    start_h: float
    end_h: float
    chance_in_window: float
    chance_too_wet: float
    chance_too_dry: float
    chance_split: float
    chance_of_rain: float


def flagged(condition: npt.NDArray[np.bool_], *values: Floats | float) -> Floats:
    """Return a condition as 1 and 0, NaN wherever one of the values it was made from is NaN."""
    out = np.asarray(condition, dtype=np.float64)
    for value in values:
        out = np.where(np.isnan(value), np.nan, out)
    return out


def conditions(inputs: MorningInputs) -> Conditions:
    """Return hour by hour whether each strip could be rolled."""
    weather = inputs.weather
    rain = on_hours(inputs, weather.rain_members_mm)
    temp, surface = on_hours(inputs, weather.temp_degc), on_hours(inputs, weather.surface_temp_degc)
    wind, code, snow = (
        on_hours(inputs, weather.wind_2m_m_s),
        on_hours(inputs, weather.weather_code),
        on_hours(inputs, weather.snow_mm),
    )
    freeze, rain_stop, wind_stop, snow_stop = (
        inputs.setting(name) for name in ("freeze_temp_degc", "rain_stop_mm_h", "wind_stop_m_s", "light_rain_mm_h")
    )
    # The service may have no surface temperature: then the air speaks for it. Day-long frost outlasts a mild noon.
    ground = np.where(np.isnan(surface), temp, np.minimum(surface, temp))
    padded = np.concatenate([np.full(FROST_MEMORY_H - 1, np.nan), temp])
    windows = np.lib.stride_tricks.sliding_window_view(padded, FROST_MEMORY_H)
    known = np.sum(~np.isnan(windows), axis=1)
    mean_temp = np.where(known > 0, np.nansum(windows, axis=1) / np.maximum(known, 1), np.inf)
    unfrozen = (ground > freeze) & (mean_temp > freeze) & (snow < snow_stop)
    calm = (wind < wind_stop) & ~np.isin(code, THUNDER_CODES)

    low, high, omc = (
        np.array([getattr(inputs.material(s), name) for s in inputs.strips])[None, :, None]
        for name in ("window_low_pct", "window_high_pct", "omc_pct")
    )
    mean, top, base = inputs.w_pct - omc, inputs.w_top_pct - omc, inputs.w_base_pct - omc
    split = ((top < low) & (base > high)) | ((top > high) & (base < low))
    halves = (mean, top, base)
    return Conditions(
        first_h=int(inputs.hour_utc[0].astype("datetime64[h]").astype(np.int64)),
        rain_mm=rain,
        is_rainless=flagged(rain < rain_stop, rain, rain_stop),
        is_unfrozen=flagged(unfrozen, temp, snow, freeze, snow_stop),
        is_calm=flagged(calm, wind, wind_stop),
        # The path was computed from evapotranspiration: where that is unknown, so is the path.
        is_inside=flagged((mean >= low) & (mean <= high) & ~split, *halves, low, high, inputs.et0_mm[:, None, None]),
        is_too_wet=flagged(mean > high, mean, high),
        is_too_dry=flagged(mean < low, mean, low),
        is_split=flagged(split & (mean >= low) & (mean <= high), *halves),
    )


def working(inputs: MorningInputs, day: date) -> Working:
    """Return the working hours of a local date, from now on where the date is running."""
    site = inputs.site
    by_daylight = inputs.setting("needs_daylight") != 0.0  # unknown counts as yes: the shorter day
    start, end = times.working_hours_utc(site, day) if by_daylight else times.shift_utc(site, day)
    from_h, until_h = max(epoch_h(start), epoch_h(inputs.now_utc)), epoch_h(end)
    return Working(day=day, from_h=from_h, until_h=max(from_h, until_h), is_working_day=times.is_working_day(site, day))


def rows(cond: Conditions, from_h: float, until_h: float) -> slice | None:
    """Return the rows of the hours that [from_h, until_h) touches, None where the table does not hold them all."""
    if not math.isfinite(from_h + until_h):
        return None
    first = math.floor(from_h + _NUDGE_H) - cond.first_h
    last = max(math.ceil(until_h - _NUDGE_H) - cond.first_h, first + 1)
    return slice(first, last) if first >= 0 and last <= len(cond.is_calm) else None


def amount_between(cond: Conditions, hourly: Floats, from_h: float, until_h: float) -> Floats:
    """Return the sum of an hourly amount over [from_h, until_h), part hours in proportion; NaN outside the table."""
    if until_h <= from_h:
        return np.zeros(hourly.shape[1:])
    part = rows(cond, from_h, until_h)
    if part is None:
        return np.full(hourly.shape[1:], np.nan)
    starts = cond.first_h + np.arange(part.start, part.stop, dtype=np.float64)
    share = np.minimum(starts + 1.0, until_h) - np.maximum(starts, from_h)
    return np.asarray(np.tensordot(share, hourly[part], axes=1), dtype=np.float64)


def stretch(cond: Conditions, s: int, start_h: float, rolling_h: float, seal_h: float) -> Stretch:
    """Return the chances of rolling strip s from start_h on; rain, frost and storm count until it is sealed, too."""
    end_h = start_h + rolling_h
    hours, sealed = rows(cond, start_h, end_h), rows(cond, start_h, end_h + seal_h)
    if hours is None or sealed is None:
        return Stretch(start_h=start_h, end_h=end_h, **dict.fromkeys(_CHANCES, math.nan))
    # Rows hold the moisture at the START of an hour, so the row after the last hour is its end.
    path = slice(hours.start, min(hours.stop + 1, len(cond.is_calm)))
    rainless = cond.is_rainless[sealed].min(axis=0)
    weather = float(cond.is_unfrozen[sealed].min() * cond.is_calm[sealed].min())
    inside = cond.is_inside[path, s].min(axis=0)
    return Stretch(
        start_h=start_h,
        end_h=end_h,
        chance_in_window=float(np.mean(inside * rainless) * weather),
        chance_too_wet=float(np.mean(cond.is_too_wet[path, s].max(axis=0))),
        chance_too_dry=float(np.mean(cond.is_too_dry[path, s].max(axis=0))),
        chance_split=float(np.mean(cond.is_split[path, s].max(axis=0))),
        chance_of_rain=float(1.0 - np.mean(rainless)),
    )


_CHANCES = ("chance_in_window", "chance_too_wet", "chance_too_dry", "chance_split", "chance_of_rain")


def stretches(cond: Conditions, s: int, hours: Working, rolling_h: float, seal_h: float) -> tuple[Stretch, ...]:
    """Return every stretch that fits into the working hours: from their start, and from each full hour after.

    None fits where rolling and sealing take longer than there is, or for ever. An unknown time gives an unknown one.
    """
    if math.isnan(rolling_h + seal_h):
        return (Stretch(start_h=hours.from_h, end_h=math.nan, **dict.fromkeys(_CHANCES, math.nan)),)
    last_h = hours.until_h - rolling_h - seal_h
    if hours.hours <= 0.0 or last_h < hours.from_h - _NUDGE_H:
        return ()
    starts = [hours.from_h, *np.arange(math.floor(hours.from_h) + 1, last_h + _NUDGE_H, 1.0)]
    return tuple(stretch(cond, s, float(start_h), rolling_h, seal_h) for start_h in starts)


def best(candidates: tuple[Stretch, ...]) -> Stretch | None:
    """Return the stretch with the greatest chance, the earliest of equals; one that is not knowable goes before all."""
    if not candidates:
        return None
    unknown = [c for c in candidates if math.isnan(c.chance_in_window)]
    return unknown[0] if unknown else max(candidates, key=lambda c: c.chance_in_window)


def longest_run_h(holds: Floats, cond: Conditions, hours: Working) -> float:
    """Return the longest unbroken part of the working hours in which a condition holds [h], NaN = unknown."""
    if hours.hours <= 0.0:
        return 0.0
    part = rows(cond, hours.from_h, hours.until_h)
    if part is None or np.any(np.isnan(holds[part])):
        return math.nan
    longest = current = 0.0
    for k in range(part.start, part.stop):
        h = cond.first_h + k
        inside_h = min(h + 1.0, hours.until_h) - max(float(h), hours.from_h)
        current = current + inside_h if holds[k] else 0.0
        longest = max(longest, current)
    return longest


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """A morning with what every fact, plan and outlook asks for, computed once.

    today          what is left of the working hours
    rolling_h      (S,) rolling time of each strip [h]
    candidates     by strip, today's stretches; best: the best of them, None where none fits
    """

    inputs: MorningInputs
    cond: Conditions
    today: Working
    chance_needed: float
    rolling_h: tuple[float, ...]
    seal_h: float
    candidates: tuple[tuple[Stretch, ...], ...]
    best: tuple[Stretch | None, ...]

    def row_at(self, at_h: float) -> int | None:
        """Return the row whose hour holds a moment, None outside the table."""
        row = math.floor(at_h + _NUDGE_H) - self.cond.first_h
        return row if 0 <= row < len(self.inputs.hour_utc) else None


def run_around(prepared: Prepared, s: int, chosen: Stretch) -> tuple[float, float]:
    """Return (from_h, until_h) of the unbroken run of good starts that holds the chosen stretch of strip s.

    Rolling that starts at from_h or later and ends by until_h, to the quarter hour, has the chance that is needed.
    """
    candidates, chance_needed = prepared.candidates[s], prepared.chance_needed
    k = candidates.index(chosen)
    first = last = k
    while first > 0 and candidates[first - 1].chance_in_window >= chance_needed:
        first -= 1
    while last + 1 < len(candidates) and candidates[last + 1].chance_in_window >= chance_needed:
        last += 1
    end_h = candidates[last].end_h
    # Starts stand on full hours; the end is pushed on by quarters as far as weather, moisture and shift allow.
    for quarter in (0.25, 0.5, 0.75):
        later = stretch(prepared.cond, s, candidates[last].start_h + quarter, prepared.rolling_h[s], prepared.seal_h)
        if later.end_h + prepared.seal_h > prepared.today.until_h + _NUDGE_H or not (
            later.chance_in_window >= chance_needed
        ):
            break
        end_h = later.end_h
    return candidates[first].start_h, end_h


def chance_needed(inputs: MorningInputs) -> float:
    """Return the chance from which a strip is compacted [-].

    Rolling pays where its expected loss is below that of idling: (1 - chance) x failed_lift_cost < idle_crew_cost. So
    the threshold is 1 - idle/failed where the site gives both costs, never below 0.5 or above 0.99; else the setting.
    Source: the classical cost-loss ratio. Checked in tests/decide/test_windows.py.
    """
    failed, idle = inputs.setting("failed_lift_cost"), inputs.setting("idle_crew_cost")
    if failed > 0.0 and idle > 0.0:
        return min(max(1.0 - idle / failed, 0.5), 0.99)
    return math.nan if math.isnan(failed + idle) else inputs.setting("compact_chance_min")


def prepare(inputs: MorningInputs) -> Prepared:
    """Return the morning with its conditions, working hours and today's stretches of every strip."""
    cond, today = conditions(inputs), working(inputs, inputs.day)
    seal_h = inputs.setting("seal_time_h")
    rolling_h = tuple(rolling.rolling_time_h(strip, inputs.crew(strip).roller) for strip in inputs.strips)
    candidates = tuple(stretches(cond, s, today, time_h, seal_h) for s, time_h in enumerate(rolling_h))
    return Prepared(
        inputs=inputs,
        cond=cond,
        today=today,
        chance_needed=chance_needed(inputs),
        rolling_h=rolling_h,
        seal_h=seal_h,
        candidates=candidates,
        best=tuple(best(c) for c in candidates),
    )
