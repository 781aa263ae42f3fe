"""One forecast held against another: the service's own answer of before, or a second service's of now.

Two sound forecasts differ; the limits are wide, and our own choice, no source. Whoever is wrong is not known: against
an answer of before, the rain ahead counts as not known; against a second service, half of the members follow it.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from gonogo.records.air import Place
from gonogo.soil.reference_et import hourly_et0_mm
from gonogo.times import as_hour
from gonogo.weather.notes import Note, note
from gonogo.weather.series import HourlyWeather

if TYPE_CHECKING:
    import pandas as pd  # takes long to import: where a table is at hand

Floats = npt.NDArray[np.float64]

COMPARED_AFTER, COMPARED_UNTIL = timedelta(hours=2), timedelta(hours=72)  # age of an answer to be held against
SAME_PAST_DAYS = 10  # days gone by of which both answers tell
LEAST_RAIN_MM, RAIN_RATIO = 4.0, 3.0  # of days gone by, told twice by the same service
PAST_APART_DEGC, AHEAD_APART_DEGC = 2.5, 6.0
AHEAD_H, BACK_DAYS = 36, 10  # what a second service is compared over
BLOCK_H = 6
BLOCK_MM, BLOCK_SHARE = 1.0, 0.25  # a block that one sees so wet is seen by the other with less than that share
DAY_MM, DAY_SHARE = 6.0, 0.4  # the same of the day ahead as a whole: a little more or less of it is one weather
SECOND_APART_DEGC = 4.0
SECOND_ET0_MM, SECOND_ET0_SHARE = 1.0, 0.35


def unlike_before(
    table: pd.DataFrame, before: pd.DataFrame, *, before_utc: datetime, now_utc: datetime
) -> tuple[Note, ...]:
    """Return what an answer says otherwise of the same hours than the answer of before; empty where they agree.

    table, before   checked tables of one service, indexed by the hour
    before_utc      when the answer of before came

    Held against each other are the rain and the air of hours that were past for both, and the air of the day ahead.
    """
    both = table.index.intersection(before.index)
    came = np.datetime64(before_utc.replace(tzinfo=None), "s")
    now = np.datetime64(now_utc.replace(tzinfo=None), "s")
    past = both[(both < came) & (both >= came - np.timedelta64(SAME_PAST_DAYS, "D"))]
    ahead = both[(both >= now) & (both < now + np.timedelta64(24, "h"))]
    new_mm, old_mm = (float(forecast.loc[past, "precip_mm"].sum()) for forecast in (table, before))
    more, less = max(new_mm, old_mm), min(new_mm, old_mm)
    if len(past) >= 24 and more >= LEAST_RAIN_MM and more > RAIN_RATIO * less:
        return (note("rain_unlike_before", rain_mm=new_mm, before_mm=old_mm, made_utc=before_utc),)
    for hours, limit_degc in ((past, PAST_APART_DEGC), (ahead, AHEAD_APART_DEGC)):
        apart = (table.loc[hours, "temp_degc"] - before.loc[hours, "temp_degc"]).abs()
        if len(hours) >= 12 and float(apart.mean()) > limit_degc:
            return (note("air_unlike_before", made_utc=before_utc),)
    return ()


def differs(weather: HourlyWeather, second: HourlyWeather, *, place: Place, now_utc: datetime) -> bool:
    """Return whether a second service's weather differs: rain by blocks of hours and of the day, warmth, ET.

    Compared are ten days back, as far as both reach, and 36 hours ahead.
    """
    ours, theirs, hour_utc = _common(weather, second, now_utc)
    if not len(hour_utc):
        return False
    known = ~(weather.rain_unknown[ours] | second.rain_unknown[theirs])
    is_ahead = hour_utc >= as_hour(now_utc)
    for rows, block_h in ((np.flatnonzero(is_ahead), BLOCK_H), (np.flatnonzero(~is_ahead), 24)):
        for block in np.array_split(rows, max(len(rows) // block_h, 1)):
            mm = [float((w.rain_mm[at][block] * known[block]).sum()) for w, at in ((weather, ours), (second, theirs))]
            if max(mm) >= BLOCK_MM * (block_h / BLOCK_H) and min(mm) < BLOCK_SHARE * max(mm):
                return True
    day = [float((w.rain_mm[at] * known)[is_ahead][:24].sum()) for w, at in ((weather, ours), (second, theirs))]
    if max(day) >= DAY_MM and min(day) < DAY_SHARE * max(day):
        return True
    degc = np.abs(weather.temp_degc[ours] - second.temp_degc[theirs])[is_ahead]
    if len(degc) >= 12 and float(degc.mean()) > SECOND_APART_DEGC:
        return True
    et0 = [float(hourly_et0_mm(w.air, place)[at][is_ahead][:24].sum()) for w, at in ((weather, ours), (second, theirs))]
    return max(et0) - min(et0) > max(SECOND_ET0_MM, SECOND_ET0_SHARE * max(et0))


def mixed(weather: HourlyWeather, second: HourlyWeather, *, now_utc: datetime) -> HourlyWeather:
    """Return the weather with every other member's rain from a second service, and the air halfway between them.

    Hours of which the second service tells nothing stay as they are.
    """
    ours, theirs, _ = _common(weather, second, now_utc, ahead_h=None)
    members, peaks = weather.rain_members_mm.copy(), weather.rain_peaks_mm.copy()
    n_members = members.shape[1]
    for mm, other in ((members, second.rain_members_mm), (peaks, second.rain_peaks_mm)):
        mm[np.ix_(ours, np.arange(1, n_members, 2))] = other[theirs][:, 1:n_members:2]
    changed: dict[str, Any] = {"rain_members_mm": members, "rain_peaks_mm": peaks, "rain_mm": weather.rain_mm.copy()}
    changed["rain_mm"][ours] = members[ours].mean(axis=1)
    for name in ("temp_degc", "rh_pct", "wind_2m_m_s", "pressure_kpa", "shortwave_w_m2"):
        values = getattr(weather, name).copy()
        values[ours] = 0.5 * (values[ours] + getattr(second, name)[theirs])
        changed[name] = values
    return replace(weather, **changed)


def _common(
    weather: HourlyWeather, second: HourlyWeather, now_utc: datetime, *, ahead_h: int | None = AHEAD_H
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.datetime64]]:
    """Return (rows of the one, rows of the other, hours) of what both tell of the days back and the hours ahead."""
    now = as_hour(now_utc)
    hours, ours, theirs = np.intersect1d(weather.hour_utc, second.hour_utc, return_indices=True)
    inside = hours >= now - np.timedelta64(24 * BACK_DAYS, "h")
    if ahead_h is not None:
        inside &= hours < now + np.timedelta64(ahead_h, "h")
    return ours[inside], theirs[inside], hours[inside]
