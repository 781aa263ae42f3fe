"""What the picture of the moisture path shows: a panel a strip, with today's water in it, and the rain above."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from datetime import datetime, timedelta

import numpy as np

from gonogo import times
from gonogo.decide.plan.added_water import added_pct
from gonogo.mail.items import PanelView, PathsView
from gonogo.mail.morning import Morning
from gonogo.mail.path import DrawnPath, Floats
from gonogo.records import shift
from gonogo.records.day_plan import Badge, StripPlan, Task
from gonogo.wording import phrases
from gonogo.wording.instruction import short_name
from gonogo.wording.phrases import Amount, Day

STRIPS_AT_MOST = 12  # in the pictures of one mail
DAYS_AHEAD = 15


def paths_view(morning: Morning) -> PathsView | None:
    """Return what the picture shows of a crew's strips, in working order; None where there is no path to show.

    Strips beyond STRIPS_AT_MOST are left out of the picture, and counted.
    """
    paths = morning.paths
    strip_plans = [t for t in morning.strip_plans if t.badge != Badge.DONE]
    shown = [t for t in strip_plans if t.strip_id in paths and bool(np.isfinite(paths[t.strip_id].w_mean_pct).all())]
    if not shown:
        return None
    first, zone = paths[shown[0].strip_id], morning.site.zone
    start_utc = times.as_datetime(first.hour_utc[0])
    n_hours = len(first.hour_utc)

    def hours(at_utc: datetime) -> float:
        return (at_utc - start_utc) / times.HOUR

    end_day = times.local_date(start_utc + timedelta(hours=n_hours), zone)
    n_days = (end_day - times.local_date(start_utc, zone)).days + 1
    dates = [times.local_date(start_utc, zone) + timedelta(days=k) for k in range(n_days + 1)]
    midnights = [hours(times.moment_utc(d, datetime.min.time(), zone)) for d in dates]
    now_h = hours(morning.now_utc)
    return PathsView(
        n_hours=n_hours,
        now_h=now_h,
        days=tuple(Day(day=d, form="head") for d in dates[:-1]),
        midnights_h=tuple(midnights),
        rain_mm=_rounded(np.nan_to_num(first.rain_mm)),
        rain_by_day=tuple(_rain(first.rain_mm, max(a, now_h), b) for a, b in itertools.pairwise(midnights)),
        panels=tuple(_panel(morning, t, paths, start_utc) for t in shown[:STRIPS_AT_MOST]),
        n_left_out=max(len(strip_plans) - STRIPS_AT_MOST, len(strip_plans) - len(shown)),
    )


def _rain(rain_mm: Floats, from_h: float, until_h: float) -> Amount:
    """Return the rain of a stretch of hours that is still to come."""
    first, last = max(round(from_h), 0), max(round(until_h), 0)
    return phrases.amount("rain_mm", float(np.nansum(rain_mm[first:last])))


def _panel(morning: Morning, strip_plan: StripPlan, paths: Mapping[str, DrawnPath], start_utc: datetime) -> PanelView:
    """Return one strip of the picture, with what its caption says in words."""
    strip, path = morning.strips[strip_plan.strip_id], paths[strip_plan.strip_id]
    water = next((j for j in morning.plan.jobs_of(strip.id) if j.task == Task.WATER), None)
    added = (
        np.zeros(len(path.w_mean_pct)) if water is None else added_pct(len(path.w_mean_pct), start_utc, strip, water)
    )
    mean = path.w_mean_pct + added
    ahead = []
    for days in range(1, DAYS_AHEAD + 1):
        day = morning.plan.day + timedelta(days=days)
        hour = round((shift.shift_utc(morning.site, day)[0] - start_utc) / times.HOUR)
        if 0 <= hour < len(mean):
            ahead.append((Day(day=day, form="head"), phrases.amount("w_pct", float(mean[hour]))))
    roll = None
    if strip_plan.roll_from_utc is not None and strip_plan.roll_by_utc is not None:
        roll = ((strip_plan.roll_from_utc - start_utc) / times.HOUR, (strip_plan.roll_by_utc - start_utc) / times.HOUR)
    return PanelView(
        strip=short_name(strip),
        low=_rounded(path.w_p10_pct + added),
        mean=_rounded(mean),
        high=_rounded(path.w_p90_pct + added),
        window_low_pct=strip_plan.low_pct,
        window_high_pct=strip_plan.high_pct,
        optimum_pct=strip_plan.optimum_pct,
        window_low=phrases.amount("w_pct", strip_plan.low_pct),
        window_high=phrases.amount("w_pct", strip_plan.high_pct),
        roll_h=roll,
        now=phrases.amount("w_pct", strip_plan.w_now_pct),
        ahead=tuple(ahead),
        water_h=None
        if water is None
        else ((water.start_utc - start_utc) / times.HOUR, (water.end_utc - start_utc) / times.HOUR),
    )


def _rounded(values: Floats) -> tuple[float, ...]:
    """Return a path to two decimals: finer than any eye, and equal for equal pictures."""
    return tuple(np.round(values, 2).tolist())
