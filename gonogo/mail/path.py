"""The moisture path that a picture is drawn from: mean and band of each strip by hour, and the rain above them."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import numpy as np
import numpy.typing as npt

from gonogo import times
from gonogo.decide.inputs import MorningInputs, on_hours
from gonogo.mail.items import PanelView, PathsView
from gonogo.records import shift
from gonogo.records.site import Site, Strip
from gonogo.records.verdict import Decision
from gonogo.wording import phrases
from gonogo.wording.items import StripView
from gonogo.wording.phrases import Amount, Day

Floats = npt.NDArray[np.float64]

HOURS_BEFORE = 12  # of the past are shown, so that the eye sees where the path comes from
LOW_PCT, HIGH_PCT = 10.0, 90.0
STRIPS_AT_MOST = 12  # in the pictures of one mail
DAYS_AHEAD = 15


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MoisturePath:
    """The moisture of one strip. (H,) each, at the start of the hour; w in per cent of dry mass, NaN = unknown."""

    hour_utc: npt.NDArray[np.datetime64]
    w_p10_pct: Floats
    w_mean_pct: Floats
    w_p90_pct: Floats
    rain_mm: Floats


def moisture_paths(inputs: MorningInputs, strip_ids: Sequence[str]) -> dict[str, MoisturePath]:
    """Return mean and 10 to 90 % band of the named strips, from HOURS_BEFORE before now to the end of the forecast.

    A name that is no strip of the site is left out.
    """
    start = times.as_hour(inputs.now_utc) - np.timedelta64(HOURS_BEFORE, "h")
    rows = np.flatnonzero(inputs.hour_utc >= start)
    place = {strip.id: s for s, strip in enumerate(inputs.strips)}
    rain_mm = on_hours(inputs, inputs.weather.rain_mm)[rows]
    paths = {}
    for strip_id in strip_ids:
        if strip_id not in place or not len(rows):
            continue
        members = inputs.w_pct[rows, place[strip_id]]
        low, high = np.percentile(members, (LOW_PCT, HIGH_PCT), axis=1)
        paths[strip_id] = MoisturePath(
            hour_utc=inputs.hour_utc[rows],
            w_p10_pct=low,
            w_mean_pct=members.mean(axis=1),
            w_p90_pct=high,
            rain_mm=rain_mm,
        )
    return paths


def paths_view(
    paths: Mapping[str, MoisturePath],
    strips: Sequence[StripView],
    decisions: Mapping[str, Decision],
    own: Mapping[str, Strip],
    site: Site,
    *,
    day: date,
    now_utc: datetime,
) -> PathsView | None:
    """Return what the picture shows of a crew's strips, in their order; None where there is no path to show.

    Strips beyond STRIPS_AT_MOST are left out of the picture, and counted.
    """
    shown = [s for s in strips if s.id in paths and bool(np.isfinite(paths[s.id].w_mean_pct).all())]
    if not shown:
        return None
    first = paths[shown[0].id]
    start_utc = times.as_datetime(first.hour_utc[0])
    n_hours = len(first.hour_utc)

    def hours(at_utc: datetime) -> float:
        return (at_utc - start_utc) / times.HOUR

    end_day = times.local_date(start_utc + timedelta(hours=n_hours), site.zone)
    n_days = (end_day - times.local_date(start_utc, site.zone)).days + 1
    dates = [times.local_date(start_utc, site.zone) + timedelta(days=k) for k in range(n_days + 1)]
    midnights = [hours(times.moment_utc(d, datetime.min.time(), site.zone)) for d in dates]
    return PathsView(
        n_hours=n_hours,
        now_h=hours(now_utc),
        days=tuple(Day(day=d, form="head") for d in dates[:-1]),
        midnights_h=tuple(midnights),
        rain_mm=tuple(round(float(r), 2) for r in np.nan_to_num(first.rain_mm)),
        rain_by_day=tuple(_rain(first.rain_mm, max(a, hours(now_utc)), b) for a, b in itertools.pairwise(midnights)),
        panels=tuple(
            _panel(s, paths[s.id], decisions[s.id], own[s.id], site, day=day, start_utc=start_utc)
            for s in shown[:STRIPS_AT_MOST]
        ),
        n_left_out=max(len(strips) - STRIPS_AT_MOST, len(strips) - len(shown)),
    )


def _rain(rain_mm: Floats, from_h: float, until_h: float) -> Amount:
    """Return the rain of a stretch of hours that is still to come."""
    first, last = max(round(from_h), 0), max(round(until_h), 0)
    return phrases.amount("rain_mm", float(np.nansum(rain_mm[first:last])))


def _panel(
    view: StripView,
    path: MoisturePath,
    decision: Decision,
    strip: Strip,
    site: Site,
    *,
    day: date,
    start_utc: datetime,
) -> PanelView:
    """Return one strip of the picture, with what its caption says in words."""
    material = site.material(strip.material_id)
    ahead = []
    for days in range(1, DAYS_AHEAD + 1):
        hour = round((shift.shift_utc(site, day + timedelta(days=days))[0] - start_utc) / times.HOUR)
        if 0 <= hour < len(path.w_mean_pct):
            at = Day(day=day + timedelta(days=days), form="head")
            ahead.append((at, phrases.amount("w_pct", float(path.w_mean_pct[hour]))))
    roll = None
    if decision.from_utc is not None and decision.until_utc is not None:
        roll = ((decision.from_utc - start_utc) / times.HOUR, (decision.until_utc - start_utc) / times.HOUR)
    return PanelView(
        strip=view.name,
        low=_rounded(path.w_p10_pct),
        mean=_rounded(path.w_mean_pct),
        high=_rounded(path.w_p90_pct),
        window_low_pct=material.omc_pct + material.window_low_pct,
        window_high_pct=material.omc_pct + material.window_high_pct,
        optimum_pct=material.omc_pct,
        window_low=view.window_low,
        window_high=view.window_high,
        roll_h=roll,
        now=view.moisture,
        ahead=tuple(ahead),
    )


def _rounded(values: Floats) -> tuple[float, ...]:
    """Return a path to two decimals: finer than any eye, and equal for equal pictures."""
    return tuple(round(float(v), 2) for v in values)
