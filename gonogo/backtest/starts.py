"""Days from which forecasts start, side by side: what is known on the day, and the weather of the ten days after."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields

import numpy as np
import numpy.typing as npt

from gonogo.backtest.daily import Days
from gonogo.backtest.folder import StationYear

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

HORIZON = 10

# What the parameters of a layer are guessed from on the issue day, beside the reading itself.
PREDICTORS = ("reading", "wet30", "wet100", "wet10", "dryness", "et_week", "temp_month", "thickness")
# What tells how much of a day's rain fell before midday.
TIMING = (
    "clear", "temp", "rain", "dry_air", "range", "issue_day", "rain_next", "rain_before", "clear_next", "clear_before",
    "warming",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Starts:
    """N starts. D is HORIZON + 1: the issue day and the days after it.

    station     (N,) id; run (N,) number of the station-year; day (N,) index of the day in it
    theta       (N,) reading [m3/m3]; thickness_mm (N,)
    predictors  (N, P); timing (N, D, T)
    water_mm, et0_mm   (N, D)
    gap_days    (N,) days among the D whose weather stands filled
    days_to_next, theta_next   (N,) the next reading within the horizon; 0 and NaN where there is none
    measured    (N, HORIZON) contents of the days after, NaN where unknown: for fitting and scores alone
    """

    station: npt.NDArray[np.str_]
    run: Indices
    day: Indices
    theta: Floats = field(repr=False)
    thickness_mm: Floats = field(repr=False)
    predictors: Floats = field(repr=False)
    timing: Floats = field(repr=False)
    water_mm: Floats = field(repr=False)
    et0_mm: Floats = field(repr=False)
    gap_days: Indices = field(repr=False)
    days_to_next: Indices = field(repr=False)
    theta_next: Floats = field(repr=False)
    measured: Floats = field(repr=False)

    def __len__(self) -> int:
        return self.day.size

    def only(self, which: npt.NDArray[np.bool_] | Indices) -> Starts:
        """Return some of the starts."""
        return Starts(**{f.name: getattr(self, f.name)[which] for f in fields(self)})


def joined(parts: Sequence[Starts]) -> Starts:
    """Return several lots of starts as one; runs keep their numbers."""
    return Starts(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Starts)})


def starts(one: StationYear, weather: Days, *, at: Indices | None = None, run: int = 0) -> Starts:
    """Return the starts of a station-year whose ten days lie within it.

    at   days to start from, those with a reading when None. The next reading is looked for among the readings only
    """
    asked = one.readings if at is None else at
    day = asked[(asked + HORIZON < len(one.day)) & np.isfinite(one.theta[asked])]
    ahead = day[:, None] + np.arange(HORIZON + 1)
    following = np.searchsorted(one.readings, day, side="right")
    has_next = following < one.readings.size
    next_day = one.readings[np.minimum(following, one.readings.size - 1)] if one.readings.size else day
    gap = np.where(has_next & (next_day - day <= HORIZON), next_day - day, 0)
    return Starts(
        station=np.full(day.size, one.station.id),
        run=np.full(day.size, run),
        day=day,
        theta=one.theta[day],
        thickness_mm=np.full(day.size, one.thickness_mm),
        predictors=_predictors(one, weather, day),
        timing=_timing(weather, ahead),
        water_mm=weather.water_mm[ahead],
        et0_mm=weather.et0_mm[ahead],
        gap_days=weather.is_gap[ahead].sum(axis=1),
        days_to_next=gap,
        theta_next=np.where(gap > 0, one.theta[day + gap], np.nan),
        measured=one.theta[ahead[:, 1:]],
    )


def _predictors(one: StationYear, weather: Days, day: Indices) -> Floats:
    """What is known on each start day, in the order of PREDICTORS."""
    wet10, wet30, wet100 = weather.wetness[:, day]
    return np.stack(
        [
            one.theta[day],
            wet30,
            wet100,
            wet10,
            weather.dryness[day],
            np.log(weather.recent_et_mm[day] + 0.5),
            weather.recent_temp_degc[day],
            np.full(day.size, np.log(one.thickness_mm / 150.0)),
        ],
        axis=1,
    )


def _timing(weather: Days, ahead: Indices) -> Floats:
    """What tells when in the day rain fell, in the order of TIMING; nothing after the last day ahead is looked at."""
    before = np.maximum(ahead - 1, 0)
    after = np.concatenate((ahead[:, 1:], ahead[:, -1:]), axis=1)
    water, clear, temp = weather.water_mm, (weather.clearness - 0.6) / 0.2, weather.temp_degc
    rain_next = water[after]
    rain_next[:, -1] = 0.0
    is_issue_day = np.zeros(ahead.shape)
    is_issue_day[:, 0] = 1.0
    return np.stack(
        [
            clear[ahead],
            (temp[ahead] - 15.0) / 10.0,
            np.log1p(water[ahead]) - 1.0,
            (weather.rh_min_pct[ahead] - 50.0) / 25.0,
            (weather.temp_span_degc[ahead] - 12.0) / 5.0,
            is_issue_day,
            np.log1p(rain_next) - 0.5,
            np.log1p(water[before]) - 0.5,
            clear[after],
            clear[before],
            (temp[after] - temp[ahead]) / 4.0,
        ],
        axis=2,
    )
