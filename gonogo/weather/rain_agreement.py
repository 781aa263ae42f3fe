"""The rain of a forecast against its weather codes: strength, hour, and warmth of what is called snow.

A service's code is of a moment, an amount of the hour that ends or begins there: an hour beside is no fault.
The limits are our own choice, wide enough for what amounts and codes of different runs differ by. No source but where
one is named.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from gonogo.weather.own_days import Contradiction, OwnDays

WET_CODE = 51.0  # WMO 4677: from drizzle on
WET_MM, TRACE_MM = 0.1, 0.05  # a trace is less than any service rounds to
STRONG_CODES, STRONG_MM_H = (63.0, 65.0), 2.5  # WMO 4677 and WMO-No. 8: moderate and heavy rain are 2.5 mm/h and more
STRONG_SHARE = 0.25  # of 2.5 mm, which the hours of such codes have on average at least
LEAST_STRONG_HOURS = 4
WARM_DEGC, WARM_SNOW_MM = 5.0, 1.0  # no snow reaches the ground through warmer air; common practice
SURE_CHANCE, LEAST_SURE_HOURS = 0.85, 6
SURE_PERIOD_H = 3  # a chance of so many hours and more speaks of their rain together
BESIDE_H = 15  # how far amounts are looked for beside their codes
LEAST_WET_HOURS = 8
# Share of the wet hours that codes and amounts have in common: moved back at least, as they are at most, between them.
TOGETHER, APART, GAINED = 0.85, 0.8, 0.15


def rain_against_strength(t: OwnDays) -> Contradiction | None:
    """Amounts of a trace under codes of moderate and heavy rain: centimetres or inches under the name of mm."""
    rain, code = np.nan_to_num(t.column("precip_mm"), nan=np.inf), t.column("weather_code")
    strong = np.isin(code, STRONG_CODES)
    around = highest_around(rain)
    if strong.sum() < LEAST_STRONG_HOURS or not np.mean(around[strong]) < STRONG_SHARE * STRONG_MM_H:
        return None
    return Contradiction(
        column="precip_mm",
        days=t.by_day(strong.astype(np.float64)) > 0.0,
        found=f"{np.mean(around[strong]):.2g} mm in an hour of moderate or heavy rain",
        wrong=f"such rain is {STRONG_MM_H:g} mm an hour and more.",
    )


def rain_under_chance(t: OwnDays) -> Contradiction | None:
    """Dry hours under a sure chance of rain, whatever the other hours of the day bring."""
    rain, chance = t.column("precip_mm"), t.column("rain_chance")
    span_h = np.nan_to_num(t.column("chance_span_h"), nan=1.0)
    sure = (chance >= SURE_CHANCE) & ~np.isnan(rain)
    of_hour, of_period = sure & (span_h < SURE_PERIOD_H), sure & (span_h >= SURE_PERIOD_H)
    around = highest_around(np.nan_to_num(rain))
    n_dry, n_wet = (t.by_day((of_hour & is_so).astype(np.float64)) for is_so in (around < TRACE_MM, around >= TRACE_MM))
    days = (n_dry >= LEAST_SURE_HOURS) & (n_dry > 2.0 * n_wet)
    period_mm = _sum_of_periods(rain, span_h)
    days |= t.by_day((of_period & (period_mm < TRACE_MM)).astype(np.float64)) >= LEAST_SURE_HOURS
    if not days.any():
        return None
    first = int(np.argmax(days))
    return Contradiction(
        column="precip_mm",
        days=days,
        found=f"nothing in hours of {t.date(first)}",
        wrong=f"their chance of rain is {SURE_CHANCE:.0%} and more.",
    )


def rain_beside_codes(t: OwnDays) -> Contradiction | None:
    """Amounts that lie hours beside their codes: moved back they fit nearly all, as they are they do not."""
    rain, code = t.column("precip_mm"), t.column("weather_code")
    known = ~(np.isnan(rain) | np.isnan(code))
    wet, coded = known & (rain >= WET_MM), known & (code >= WET_CODE)
    if min(wet.sum(), coded.sum()) < LEAST_WET_HOURS:
        return None
    shared = {hours: _shared(wet, _moved(coded, hours)) for hours in range(-BESIDE_H, BESIDE_H + 1)}
    best = max(shared, key=lambda hours: shared[hours])
    as_they_are = max(shared[hours] for hours in (-1, 0, 1))
    if abs(best) < 2 or shared[best] < TOGETHER or as_they_are > APART or shared[best] - as_they_are < GAINED:
        return None
    return Contradiction(
        column="precip_mm",
        days=np.ones(len(t.is_whole), dtype=bool),
        found=f"amounts {abs(best)} hours {'late' if best > 0 else 'early'}",
        wrong="their weather codes have the same hours of rain then.",
    )


def snow_against_warmth(t: OwnDays) -> Contradiction | None:
    """Snow out of air in which none reaches the ground."""
    snow, temp = t.column("snow_mm"), t.column("temp_degc")
    coldest = np.minimum.reduce([temp, _moved(temp, 1), _moved(temp, -1)])
    warm_mm = t.by_day(np.where(coldest > WARM_DEGC, snow, 0.0))
    days = warm_mm >= WARM_SNOW_MM
    if not days.any():
        return None
    first = int(np.argmax(days))
    return Contradiction(
        column="snow_mm",
        days=days,
        found=f"{warm_mm[first]:.1f} mm on {t.date(first)}",
        wrong=f"at more than {WARM_DEGC:g} degC no snow reaches the ground.",
    )


def _sum_of_periods(rain_mm: npt.NDArray[np.float64], span_h: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return for each hour the rain of the hours around it that its period may hold, (H,) [mm]."""
    total = np.concatenate(([0.0], np.cumsum(np.nan_to_num(rain_mm))))
    reach, rows = span_h.astype(np.int64) - 1, np.arange(len(rain_mm))
    return np.asarray(total[np.minimum(rows + reach + 1, len(rain_mm))] - total[np.maximum(rows - reach, 0)])


def highest_around(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return the highest of each hour and the two beside it, (H,); NaN where all three are."""
    return np.asarray(np.fmax.reduce([values, _moved(values, 1), _moved(values, -1)]))


def _shared(wet: npt.NDArray[np.bool_], coded: npt.NDArray[np.bool_]) -> float:
    """Return the share of the hours of either that belong to both."""
    return float((wet & coded).sum() / max((wet | coded).sum(), 1))


def _moved(values: npt.NDArray[Any], hours: int) -> npt.NDArray[Any]:
    """Return values so many hours later, each end held."""
    rows = np.clip(np.arange(len(values)) - hours, 0, len(values) - 1)
    return values[rows]
