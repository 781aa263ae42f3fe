"""The days ahead, strip by strip: chance and hours of a workable window, rain, moisture."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta

import numpy as np

from gonogo import times
from gonogo.decide.inputs import Floats, MorningInputs, on_hours
from gonogo.decide.today import Prepared, is_in_binder_time, prepare
from gonogo.decide.water.forecast import day_chance
from gonogo.decide.windows import Working, chances_inside, epoch_h, moment, rows, starts_h, window_chances, working
from gonogo.records.verdict import OutlookDay
from gonogo.weather.forecast_status import ForecastStatus

WET_DAY_MM = 1.0  # a day with at least this much rain is a wet day: WMO climatological practice, from memory


def days(prepared: Prepared) -> Iterator[Working]:
    """Yield the working hours of every local date from the morning's own on whose hours the table still reaches."""
    inputs = prepared.inputs
    last = times.local_date(moment(prepared.cond.first_h + len(inputs.hour_utc) - 1.0), inputs.site.zone)
    day = inputs.day
    while day <= last:
        hours = working(inputs, day)
        if prepared.row_at(hours.from_h) is not None:
            yield hours
        day += timedelta(days=1)


def chances(prepared: Prepared, s: int, hours: Working) -> Iterator[tuple[float, float]]:
    """Yield (start [epoch h], chance) of every stretch of a day of which the chance is known."""
    rolling_h, seal_h = prepared.rolling_h[s], prepared.seal_h
    starts = starts_h(hours, rolling_h + seal_h)
    starts = tuple(h for h in starts if is_in_binder_time(prepared.inputs, s, h, h + rolling_h))
    if starts:
        found = window_chances(prepared.cond, s, np.array(starts), rolling_h, seal_h).tolist()
        yield from ((start_h, chance) for start_h, chance in zip(starts, found, strict=True) if not math.isnan(chance))


def next_workable_utc(prepared: Prepared, s: int) -> datetime | None:
    """Return the first hour from which strip s is likely workable, None where the horizon holds none."""
    if prepared.inputs.weather.status == ForecastStatus.NONE:
        return None
    for hours in days(prepared):
        if hours.is_working_day:
            for start_h, chance in chances(prepared, s, hours):
                if chance >= prepared.chance_needed:
                    return moment(start_h)
    return None


def band_pct(members: Floats) -> tuple[float, float, float]:
    """Return (mean, 10 %, 90 %) of members, all NaN where one is unknown."""
    return bands_pct(members[None])[0]


def bands_pct(members: Floats) -> list[tuple[float, float, float]]:
    """Return (mean, 10 %, 90 %) of members of several hours (N, M), all NaN where one is unknown."""
    if not members.size:
        return [(math.nan, math.nan, math.nan)] * len(members)
    is_known = ~np.isnan(members).any(axis=1)
    p10, p90 = np.percentile(members, (10.0, 90.0), axis=1)
    bands = np.where(is_known, np.stack([members.mean(axis=1), p10, p90]), np.nan)
    return [(mean, low, high) for mean, low, high in bands.T.tolist()]


def _workable_h(prepared: Prepared, s: int, hours: Working) -> float:
    """Return how many working hours have at least the chance that is needed, each hour by itself [h]."""
    cond = prepared.cond
    first = math.floor(hours.from_h) - cond.first_h
    last = min(math.ceil(hours.until_h) - cond.first_h, len(cond.is_calm))
    part = np.arange(max(first, 0), last)
    found = chances_inside(cond, s, part, np.minimum(part + 2, len(cond.is_calm)), part + 1)
    total = 0.0
    for row in part[found >= prepared.chance_needed].tolist():
        h = float(cond.first_h + row)
        total += min(h + 1.0, hours.until_h) - max(h, hours.from_h)
    return total


def _rain(prepared: Prepared, day: date) -> tuple[float, float]:
    """Return expected rain of a local date [mm] and the chance of a wet day, over the hours that the table holds."""
    inputs, cond = prepared.inputs, prepared.cond
    ends = [times.moment_utc(d, time(0), inputs.site.zone).astimezone(UTC) for d in (day, day + timedelta(days=1))]
    from_h = max(epoch_h(ends[0]), float(cond.first_h))
    until_h = min(epoch_h(ends[1]), float(cond.first_h + len(cond.is_calm)))
    part = rows(cond, from_h, until_h)
    if part is None:
        return math.nan, math.nan
    members = cond.site_rain_mm[part].sum(axis=0)
    chance = math.nan if bool(np.any(np.isnan(members))) else float(np.mean(members >= WET_DAY_MM))
    return float(on_hours(inputs, inputs.weather.rain_mm)[part].sum()), chance


def outlook(inputs: MorningInputs, prepared: Prepared | None = None) -> tuple[OutlookDay, ...]:
    """Return one row for every strip and every day of the horizon: strips in their order, days in theirs.

    prepared   from the same inputs, where somebody made it already

    A day off has the chances that its shift would have. A forecast that may not be used gives NaN chances: nobody is
    told of a window. The last day counts as far as the forecast reaches. A lift that is rolled already waits for the
    next one: it has no chance to be rolled.
    """
    prepared = prepared or prepare(inputs)
    usable = inputs.weather.status != ForecastStatus.NONE
    ahead = [(hours, *_rain(prepared, hours.day)) for hours in days(prepared)]
    begins = [row for hours, _, _ in ahead if (row := prepared.row_at(hours.from_h)) is not None]  # as `days` has it
    found = []
    for s, strip in enumerate(inputs.strips):
        rolled = inputs.is_rolled(s) == 1.0
        held_pct = bands_pct(inputs.w_pct[begins, s])
        for (hours, rain_mm, rain_chance), (mean, p10, p90) in zip(ahead, held_pct, strict=True):
            may_roll = usable and not rolled
            best = max(chances(prepared, s, hours), key=lambda c: c[1], default=None) if may_roll else None
            fits = math.isfinite(prepared.rolling_h[s]) and hours.hours >= prepared.rolling_h[s] + prepared.seal_h
            nothing = 0.0 if usable and (rolled or not fits) else math.nan
            window = best if best is not None and best[1] > 0.0 else None
            found.append(
                OutlookDay(
                    strip_id=strip.id,
                    day=hours.day,
                    chance=nothing if best is None else best[1],
                    workable_h=_workable_h(prepared, s, hours) if may_roll else 0.0 if rolled else math.nan,
                    from_utc=None if window is None else moment(window[0]),
                    until_utc=None if window is None else moment(window[0] + prepared.rolling_h[s]),
                    rain_mm=rain_mm,
                    rain_chance=rain_chance,
                    w_mean_pct=mean,
                    w_p10_pct=p10,
                    w_p90_pct=p90,
                    is_working_day=hours.is_working_day,
                    chance_watered=day_chance(prepared, s, hours) if may_roll else math.nan,
                    is_rolled=rolled,
                )
            )
    return tuple(found)
