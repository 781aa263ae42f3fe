"""The days ahead, strip by strip: chance and hours of a workable window, rain, moisture."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, time, timedelta
from itertools import chain

import numpy as np

from gonogo import times
from gonogo.decide.inputs import Floats, MorningInputs, on_hours
from gonogo.decide.today import Prepared, is_in_binder_time, prepare
from gonogo.decide.water.forecast import day_chances
from gonogo.decide.windows import Working, chances_inside, epoch_h, moment, rows, starts_h, window_chances, working
from gonogo.records.verdict import OutlookDay
from gonogo.weather.forecast_status import ForecastStatus

WET_DAY_MM = 1.0  # a day with at least this much rain is a wet day: WMO climatological practice, from memory


def days(prepared: Prepared) -> Sequence[Working]:
    """Return the working hours of every local date from the morning's own on whose hours the table still reaches."""
    if not prepared.ahead:
        prepared.ahead.extend(_days(prepared))
    return prepared.ahead


def _days(prepared: Prepared) -> Iterator[Working]:
    inputs = prepared.inputs
    last = times.local_date(moment(prepared.cond.first_h + len(inputs.hour_utc) - 1.0), inputs.site.zone)
    day = inputs.day
    while day <= last:
        hours = working(inputs, day)
        if prepared.row_at(hours.from_h) is not None:
            yield hours
        day += timedelta(days=1)


def chances(prepared: Prepared, s: int, ahead: Sequence[Working]) -> list[list[tuple[float, float]]]:
    """Return (start [epoch h], chance) of every stretch of which the chance is known, day by day; all made at once."""
    rolling_h, seal_h = prepared.rolling_h[s], prepared.seal_h
    starts = [
        [h for h in starts_h(hours, rolling_h + seal_h) if is_in_binder_time(prepared.inputs, s, h, h + rolling_h)]
        for hours in ahead
    ]
    found = iter(window_chances(prepared.cond, s, np.array(list(chain(*starts))), rolling_h, seal_h).tolist())
    by_day = [[(start_h, next(found)) for start_h in of_day] for of_day in starts]
    return [[known for known in of_day if not math.isnan(known[1])] for of_day in by_day]


def next_workable_utc(prepared: Prepared, s: int) -> datetime | None:
    """Return the first hour from which strip s is likely workable, None where the horizon holds none."""
    if prepared.inputs.weather.status == ForecastStatus.NONE:
        return None
    ahead = [hours for hours in days(prepared) if hours.is_working_day]
    for start_h, chance in chain(*chances(prepared, s, ahead)):
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


def _workable_h(prepared: Prepared, s: int, ahead: Sequence[Working]) -> list[float]:
    """Return how many working hours of each day have at least the chance that is needed, each hour by itself [h]."""
    cond, n_rows = prepared.cond, len(prepared.cond.is_calm)
    parts = [
        np.arange(max(math.floor(hours.from_h) - cond.first_h, 0), min(math.ceil(hours.until_h) - cond.first_h, n_rows))
        for hours in ahead
    ]
    every = np.concatenate([np.zeros(0, dtype=np.int64), *parts])
    found = chances_inside(cond, s, every, np.minimum(every + 2, n_rows), every + 1)
    is_workable = np.split(found >= prepared.chance_needed, np.cumsum([len(part) for part in parts]))[: len(parts)]
    totals = []
    for hours, part, holds in zip(ahead, parts, is_workable, strict=True):
        total = 0.0
        for row in part[holds].tolist():
            h = float(cond.first_h + row)
            total += min(h + 1.0, hours.until_h) - max(h, hours.from_h)
        totals.append(total)
    return totals


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


def _of_days(
    prepared: Prepared, s: int, ahead: Sequence[Working]
) -> list[tuple[tuple[float, float] | None, float, float]]:
    """Return of each day the best known (start, chance), its workable hours, and its chance if watered first."""
    best = [max(known, key=lambda c: c[1], default=None) for known in chances(prepared, s, ahead)]
    return list(zip(best, _workable_h(prepared, s, ahead), day_chances(prepared, s, ahead), strict=True))


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
        may_roll = usable and not rolled
        of_days = _of_days(prepared, s, [hours for hours, _, _ in ahead]) if may_roll else [None] * len(ahead)
        for (hours, rain_mm, rain_chance), (mean, p10, p90), known in zip(ahead, held_pct, of_days, strict=True):
            best, workable_h, watered = known or (None, 0.0 if rolled else math.nan, math.nan)
            fits = math.isfinite(prepared.rolling_h[s]) and hours.hours >= prepared.rolling_h[s] + prepared.seal_h
            nothing = 0.0 if usable and (rolled or not fits) else math.nan
            window = best if best is not None and best[1] > 0.0 else None
            found.append(
                OutlookDay(
                    strip_id=strip.id,
                    day=hours.day,
                    chance=nothing if best is None else best[1],
                    workable_h=workable_h,
                    from_utc=None if window is None else moment(window[0]),
                    until_utc=None if window is None else moment(window[0] + prepared.rolling_h[s]),
                    rain_mm=rain_mm,
                    rain_chance=rain_chance,
                    w_mean_pct=mean,
                    w_p10_pct=p10,
                    w_p90_pct=p90,
                    is_working_day=hours.is_working_day,
                    chance_watered=watered,
                    is_rolled=rolled,
                )
            )
    return tuple(found)
