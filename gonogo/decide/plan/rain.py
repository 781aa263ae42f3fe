"""Rain as the day plan tells it: what fell since the last shift, and the spells still to come until the next."""

from __future__ import annotations

import math

import numpy as np

from gonogo.decide.lasting import share
from gonogo.decide.today import Prepared
from gonogo.decide.windows import moment, rows
from gonogo.records.day_plan import RainSpell

MEASURABLE_MM = 0.1  # an hour with less leaves a gauge dry: WMO practice, from memory
GAP_H = 2.0  # showers less than this apart are one spell: our own choice


def spells(prepared: Prepared, from_h: float, until_h: float) -> tuple[RainSpell, ...]:
    """Return the runs of hours between two moments in which rain is as likely as the site's rain_chance_stop.

    Showers less than GAP_H apart are one spell. Hours that the table does not hold, or whose rain is unknown, are left
    out: a plan without a forecast says so by itself.
    """
    cond, least = prepared.cond, prepared.inputs.setting("rain_chance_stop")
    part = rows(cond, from_h, min(until_h, float(cond.first_h + len(cond.is_calm))))
    if part is None or math.isnan(least):
        return ()
    found: list[tuple[int, int]] = []
    for row in range(part.start, part.stop):
        if not share(cond.site_rain_mm[row] >= MEASURABLE_MM) > least:
            continue
        if found and row - found[-1][1] < GAP_H:
            found[-1] = (found[-1][0], row + 1)
        else:
            found.append((row, row + 1))
    return tuple(_spell(prepared, first, last, from_h) for first, last in found)


def _spell(prepared: Prepared, first: int, last: int, from_h: float) -> RainSpell:
    cond = prepared.cond
    members = cond.site_rain_mm[first:last].sum(axis=0)
    return RainSpell(
        from_utc=moment(max(float(cond.first_h + first), from_h)),
        until_utc=moment(float(cond.first_h + last)),
        rain_mm=float(np.mean(members)),
        chance=share(members >= MEASURABLE_MM),
    )


def fallen_mm(prepared: Prepared, since_h: float, now_h: float) -> float:
    """Return the rain between two moments, whole hours that began in between [mm]; NaN where the table lacks one."""
    weather = prepared.inputs.weather
    hours = weather.hour_utc.astype("datetime64[h]").astype(np.int64)
    first, last = math.floor(since_h), math.floor(now_h)
    if not len(hours) or first < hours[0] or last > hours[-1] + 1:
        return math.nan
    return float(np.sum(weather.rain_mm[(hours >= first) & (hours < last)]))
