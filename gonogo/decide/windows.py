"""Which hours a strip can be rolled in: working hours, weather hour by hour, and the stretches that fit.

Hours are counted as float hours since 1970 UTC ("epoch hours"), so that a shift may begin on any minute. Conditions are
1 (holds), 0 (does not) or NaN (unknown); NaN runs through to every chance that it touches.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np
import numpy.typing as npt

from gonogo.decide.conditions import Conditions
from gonogo.decide.inputs import Floats, MorningInputs
from gonogo.decide.lasting import Flags, Rows, share, shares
from gonogo.records import shift

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
class Stretch:
    """One stretch of rolling hours of a strip, with its chances over the members (NaN = unknown)."""

    start_h: float
    end_h: float
    chance_in_window: float
    chance_too_wet: float
    chance_too_dry: float
    chance_split: float
    chance_crusted: float
    chance_of_rain: float


def working(inputs: MorningInputs, day: date) -> Working:
    """Return the working hours of a local date, from now on where the date is running."""
    site = inputs.site
    by_daylight = inputs.setting("needs_daylight") != 0.0  # unknown counts as yes: the shorter day
    start, end = shift.working_hours_utc(site, day) if by_daylight else shift.shift_utc(site, day)
    from_h, until_h = max(epoch_h(start), epoch_h(inputs.now_utc)), epoch_h(end)
    return Working(day=day, from_h=from_h, until_h=max(from_h, until_h), is_working_day=shift.is_working_day(site, day))


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
    parts_h = np.minimum(starts + 1.0, until_h) - np.maximum(starts, from_h)
    # What np.tensordot does, without its looking for axes.
    return np.asarray(np.dot(parts_h[None], hourly[part].reshape(len(parts_h), -1)).reshape(hourly.shape[1:]))


@dataclass(frozen=True, slots=True, kw_only=True)
class RunningSum:
    """An hourly amount added up, for asking often what falls between two moments.

    total     (H+1, ...) sum of the hours before each row, unknown ones left out; n_unknown (H+1,) how many those are
    """

    first_h: int
    total: Floats
    n_unknown: npt.NDArray[np.int64]

    def between(self, from_h: float, until_h: float) -> Floats:
        """Return the sum over [from_h, until_h), part hours in proportion; NaN outside the table or where unknown."""
        ends = (from_h - self.first_h, until_h - self.first_h)
        last = len(self.total) - 1
        if not (0.0 <= ends[0] + _NUDGE_H and ends[0] <= ends[1] <= last + _NUDGE_H):
            return np.full(self.total.shape[1:], np.nan)
        lower, upper = math.floor(ends[0] + _NUDGE_H), min(math.ceil(ends[1] - _NUDGE_H), last)
        if upper > lower and self.n_unknown[upper] > self.n_unknown[lower]:
            return np.full(self.total.shape[1:], np.nan)
        return self._at(ends[1]) - self._at(ends[0])

    def between_many(self, from_h: Floats, until_h: Floats) -> Floats:
        """Return the sums (N, ...) over many [from_h, until_h), as `between`."""
        last = len(self.total) - 1
        lower_h, upper_h = from_h - self.first_h, until_h - self.first_h
        holds = (lower_h + _NUDGE_H >= 0.0) & (lower_h <= upper_h) & (upper_h <= last + _NUDGE_H)
        lower_h, upper_h = np.where(holds, lower_h, 0.0), np.where(holds, upper_h, 0.0)
        lower = np.floor(lower_h + _NUDGE_H).astype(np.int64)
        upper = np.minimum(np.ceil(upper_h - _NUDGE_H).astype(np.int64), last)
        holds &= (upper <= lower) | (self.n_unknown[np.maximum(upper, 0)] <= self.n_unknown[lower])
        found = self._at_many(upper_h) - self._at_many(lower_h)
        found[~holds] = np.nan
        return found

    def _at_many(self, place: Floats) -> Floats:
        row = np.clip(np.floor(place).astype(np.int64), 0, len(self.total) - 2)
        share = (place - row).reshape(-1, *(1,) * (self.total.ndim - 1))
        return np.asarray(self.total[row] * (1.0 - share) + self.total[row + 1] * share)

    def _at(self, place: float) -> Floats:
        row = min(max(math.floor(place), 0), len(self.total) - 2)
        share = place - row
        return np.asarray(self.total[row] * (1.0 - share) + self.total[row + 1] * share)


def running_sum(first_h: int, hourly: Floats) -> RunningSum:
    """Return the running sum of an hourly amount, (H,) or (H, M)."""
    unknown = np.isnan(hourly)
    zero = np.zeros((1, *hourly.shape[1:]))
    total = np.concatenate([zero, np.cumsum(np.where(unknown, 0.0, hourly), axis=0)])
    by_hour = unknown.reshape(len(hourly), -1).any(axis=1)
    return RunningSum(first_h=first_h, total=total, n_unknown=np.concatenate([[0], np.cumsum(by_hour)]))


def _parts(cond: Conditions, start_h: float, rolling_h: float, seal_h: float) -> tuple[slice, slice] | None:
    """Return the rows that rolling and those that rolling and sealing touch, None where the table lacks one.

    Rows hold the moisture at the START of an hour, so the first part goes on to the row after the last hour: its end.
    """
    rolled, sealed = rows(cond, start_h, start_h + rolling_h), rows(cond, start_h, start_h + rolling_h + seal_h)
    if rolled is None or sealed is None:
        return None
    return slice(rolled.start, min(rolled.stop + 1, len(cond.is_calm))), sealed


def chances_inside(cond: Conditions, s: int, first: Rows, path_stop: Rows, sealed_stop: Rows) -> Floats:
    """Return the chances (N,) that strip s is in its window in rows from `first` to before `path_stop`, and that it is
    dry, unfrozen and calm from `first` to before `sealed_stop`; NaN where any of it is unknown.
    """
    own, rainless = cond.inside[s], cond.rainless[s]
    inside = own.fails_at[first] >= path_stop[:, None]
    inside &= rainless.fails_at[first] >= sealed_stop[:, None]
    held = (cond.unfrozen.fails_at[first, s, 0] >= sealed_stop) & (cond.calm.fails_at[first, 0] >= sealed_stop)
    is_known = (own.unknown_at[first] >= path_stop) & (cond.unfrozen.unknown_at[first, s] >= sealed_stop)
    is_known &= (rainless.unknown_at[first] >= sealed_stop) & (cond.calm.unknown_at[first] >= sealed_stop)
    return np.where(is_known, shares(inside) * held, np.nan)


def row_ends(cond: Conditions, from_h: Floats, until_h: Floats) -> tuple[Rows, Rows, npt.NDArray[np.bool_]]:
    """Return what `rows` does for many [from_h, until_h) at once: first row, row after the last, and whether the table
    holds them all; where it does not, the rows are 0.
    """
    first = np.floor(from_h + _NUDGE_H) - cond.first_h
    stop = np.maximum(np.ceil(until_h - _NUDGE_H) - cond.first_h, first + 1.0)
    holds = np.isfinite(from_h + until_h) & (first >= 0.0) & (stop <= len(cond.is_calm))
    return np.where(holds, first, 0.0).astype(np.int64), np.where(holds, stop, 0.0).astype(np.int64), holds


def window_chances(cond: Conditions, s: int, start_h: Floats, rolling_h: Floats | float, seal_h: float) -> Floats:
    """Return the chances (N,) that strip s, rolled from each start on, is in its window all the time, dry, unfrozen and
    calm.

    Rain, frost and storm count until it is sealed, too. NaN where the table does not hold all those hours.
    Rows hold the moisture at the START of an hour, so the path goes on to the row after the last hour: its end.
    """
    first, rolled, holds = row_ends(cond, start_h, start_h + rolling_h)
    _, sealed, is_sealed = row_ends(cond, start_h, start_h + rolling_h + seal_h)
    chances = chances_inside(cond, s, first, np.minimum(rolled + 1, len(cond.is_calm)), sealed)
    return np.where(holds & is_sealed, chances, np.nan)


def window_chance(cond: Conditions, s: int, start_h: float, rolling_h: float, seal_h: float) -> float:
    """Return the chance of one start, as `window_chances`."""
    return float(window_chances(cond, s, np.array([start_h]), rolling_h, seal_h)[0])


def stretch(cond: Conditions, s: int, start_h: float, rolling_h: float, seal_h: float) -> Stretch:
    """Return all chances of rolling strip s from start_h on."""
    end_h = start_h + rolling_h
    parts = _parts(cond, start_h, rolling_h, seal_h)
    if parts is None:
        return Stretch(start_h=start_h, end_h=end_h, **dict.fromkeys(_CHANCES, math.nan))
    path, sealed = parts
    return Stretch(
        start_h=start_h,
        end_h=end_h,
        chance_in_window=window_chance(cond, s, start_h, rolling_h, seal_h),
        chance_too_wet=share(np.maximum.reduce(cond.is_too_wet[path, s])),
        chance_too_dry=share(np.maximum.reduce(cond.is_too_dry[path, s])),
        chance_split=share(np.maximum.reduce(cond.is_split[path, s])),
        chance_crusted=share(cond.is_crusted[path.start, s]),
        chance_of_rain=1.0 - share(np.minimum.reduce(cond.is_rainless[sealed, s])),
    )


_CHANCES = ("chance_in_window", "chance_too_wet", "chance_too_dry", "chance_split", "chance_crusted", "chance_of_rain")


def starts_h(hours: Working, needed_h: float) -> tuple[float, ...]:
    """Return the starts of all stretches of needed_h that fit into working hours: their start, then every full hour.

    None fits where the time needed is longer than there is, or for ever.
    """
    last_h = hours.until_h - needed_h
    if hours.hours <= 0.0 or not last_h >= hours.from_h - _NUDGE_H:
        return ()
    return (hours.from_h, *map(float, np.arange(math.floor(hours.from_h) + 1, last_h + _NUDGE_H, 1.0)))


def stretches(cond: Conditions, s: int, hours: Working, rolling_h: float, seal_h: float) -> tuple[Stretch, ...]:
    """Return every stretch of strip s that fits into the working hours; an unknown time gives an unknown stretch."""
    if math.isnan(rolling_h + seal_h):
        return (Stretch(start_h=hours.from_h, end_h=math.nan, **dict.fromkeys(_CHANCES, math.nan)),)
    return tuple(stretch(cond, s, start_h, rolling_h, seal_h) for start_h in starts_h(hours, rolling_h + seal_h))


def best(candidates: tuple[Stretch, ...]) -> Stretch | None:
    """Return the stretch with the greatest chance, the earliest of equals; one that is not knowable goes before all."""
    if not candidates:
        return None
    unknown = [c for c in candidates if math.isnan(c.chance_in_window)]
    return unknown[0] if unknown else max(candidates, key=lambda c: c.chance_in_window)


def longest_run_h(holds: Flags, cond: Conditions, hours: Working) -> float:
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
