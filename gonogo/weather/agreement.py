"""Whether a forecast agrees with itself: one column held against another, day by day of the site's own sun.

An answer can be whole, in range and on time, and still be wrong: amounts in metres under the name of millimetres, a
column of zeros, hours in reverse. Its other columns then say something else. Each row of AGREEMENTS holds two of them
against each other. A contradiction rejects the answer, so that the next service is asked; where it lies in the rain
of one day alone, the rain of that day counts as not known.

The limits are our own choice, wide enough for what amounts and chances of different runs differ by. No source but
where one is named.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from gonogo.errors import WeatherError
from gonogo.records.site import Site
from gonogo.weather import air_agreement, rain_agreement
from gonogo.weather.own_days import DAYS_OF_A_BROKEN_COLUMN, Contradiction, OwnDays, own_days

if TYPE_CHECKING:
    import pandas as pd  # takes long to import: where a table is at hand

DRY_CODE = 3.0  # WMO 4677: clear to overcast
SURE_CHANCE = 0.85
TRACE_MM = 0.05  # less than any service rounds to
SHOWER_MM = 0.5
LEAST_HOURS = 2  # of a day must contradict: one hour is a seam between two runs of a model
RUNNING_TOTAL_H = 60  # no rain goes on for so long without one hour less than the hour before


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """One row: what is held against what. rain_only: a contradiction of one day leaves that day's rain unknown."""

    id: str
    holds: str
    run: Callable[[OwnDays], Contradiction | None]
    rain_only: bool = False


def _rain_against_sky(t: OwnDays) -> Contradiction | None:
    """Amounts of nothing under a sure chance or a code of rain, and rain out of a sky of which neither speaks."""
    rain, chance, code = t.column("precip_mm"), t.column("rain_chance"), t.column("weather_code")
    span_h = np.nan_to_num(t.column("chance_span_h"), nan=1.0)
    is_wet_code = (code >= rain_agreement.WET_CODE) & ~np.isnan(code)
    is_known = ~np.isnan(rain)
    amount = t.by_day(np.nan_to_num(rain))
    # A chance of a period counts once, not for each of its hours, and a code of a period speaks of its whole amount.
    n_sure = t.by_day(np.where((chance >= SURE_CHANCE) & is_known, 1.0 / span_h, 0.0))
    # A code is of a moment: that of a shower of one hour may stand in the hour beside.
    around_mm = rain_agreement.highest_around(rain * span_h)
    n_coded = t.by_day((is_wet_code & (around_mm < TRACE_MM)).astype(np.float64))
    n_wet = t.by_day((is_wet_code & (around_mm >= TRACE_MM)).astype(np.float64))
    dry = ((n_sure >= LEAST_HOURS) & (amount < TRACE_MM)) | ((n_coded >= LEAST_HOURS + 1) & (n_coded > 2.0 * n_wet))
    is_denied = (rain >= SHOWER_MM) & (rain_agreement.highest_around(code) <= DRY_CODE) & ~(chance > 0.3)
    wet = t.by_day(is_denied.astype(np.float64)) >= LEAST_HOURS + 1
    days = dry | wet
    if not days.any():
        return None
    first = int(np.argmax(days))
    what = "chance and weather code say rain" if dry[first] else "neither chance nor weather code speaks of rain"
    return Contradiction(
        column="precip_mm", days=days, found=f"{amount[first]:g} mm on {t.date(first)}", wrong=f"{what}."
    )


def _rain_not_running(t: OwnDays) -> Contradiction | None:
    """A running total instead of each hour's amount."""
    rain = np.nan_to_num(t.column("precip_mm"))
    rises = np.concatenate(([False], (np.diff(rain) >= 0.0) & (rain[1:] > 0.0)))
    run = _run_length(rises)
    at = int(np.argmax(run))
    if run[at] < RUNNING_TOTAL_H or rain[at] - rain[at - run[at] + 1] < SHOWER_MM:
        return None
    return Contradiction(
        column="precip_mm",
        days=np.ones(len(t.is_whole), dtype=bool),
        found=f"{rain[at]:g} mm after {run[at]} hours that never fall",
        wrong="this is a running total, not the amount of an hour.",
    )


AGREEMENTS: tuple[Agreement, ...] = (
    Agreement(
        id="rain_sky", holds="rain against its chance and the weather code", run=_rain_against_sky, rain_only=True
    ),
    Agreement(
        id="rain_chance",
        holds="dry hours against a sure chance of rain",
        run=rain_agreement.rain_under_chance,
        rain_only=True,
    ),
    Agreement(id="rain_running", holds="the amount of an hour against a running total", run=_rain_not_running),
    Agreement(
        id="rain_strength",
        holds="the amount of an hour against codes of moderate and heavy rain",
        run=rain_agreement.rain_against_strength,
        rain_only=True,
    ),
    Agreement(
        id="rain_hour", holds="the hours of amounts against those of codes", run=rain_agreement.rain_beside_codes
    ),
    Agreement(
        id="snow_warmth",
        holds="what falls as snow against the warmth of the air",
        run=rain_agreement.snow_against_warmth,
        rain_only=True,
    ),
    Agreement(
        id="light_sun", holds="the light of a day against the sun above the air", run=air_agreement.light_against_sun
    ),
    Agreement(id="light_noon", holds="the middle of the light against the sun's noon", run=air_agreement.light_at_noon),
    Agreement(id="warm_after_noon", holds="the warmest hour against the sun's noon", run=air_agreement.warm_after_noon),
    Agreement(id="humidity_dew", holds="relative humidity against dew point", run=air_agreement.humidity_against_dew),
    Agreement(
        id="et0_own", holds="our reference evapotranspiration against the service's", run=air_agreement.et0_against_own
    ),
    Agreement(id="wind_land", holds="the mean wind against that of any land", run=air_agreement.wind_over_land),
    Agreement(id="dry_air", holds="humidity against the driest air of any land", run=air_agreement.driest_air),
)


def doubtful_rain(table: pd.DataFrame, site: Site, *, service: str, is_light_told: bool) -> npt.NDArray[np.bool_]:
    """Return the hours whose rain is not known because a day of it contradicts the rest, (H,).

    table           checked, one row an hour, indexed by it
    is_light_told   the service gave radiation; False where it was estimated

    Raises WeatherError where more than that contradicts: the answer cannot be used.
    """
    of_table = own_days(table, site, is_light_told=is_light_told)
    unknown = np.zeros(len(table), dtype=bool)
    for agreement in AGREEMENTS:
        found = agreement.run(of_table)
        if found is None:
            continue
        if not agreement.rain_only or found.days.sum() >= DAYS_OF_A_BROKEN_COLUMN:
            raise WeatherError(
                f"{service}: {found.column} = {found.found}: {found.wrong} The answer contradicts itself: "
                f"{agreement.holds}, {int(found.days.sum())} of {len(found.days)} days. The answer is not used.",
                passing=False,
            )
        unknown |= found.days[of_table.day]
    return unknown


def require_asked(
    stamp_utc: npt.NDArray[np.datetime64], first: Sequence[tuple[datetime, datetime]], *, service: str
) -> None:
    """Refuse an answer whose first hour is not the one that was asked for: its stamps are whole days off.

    first   the earliest and the latest moment at which an answer to our question begins, by each clock that is known
    """
    if not len(stamp_utc):
        return
    begins = stamp_utc.astype("datetime64[s]").min()
    spans = [tuple(np.datetime64(at.replace(tzinfo=None), "s") for at in span) for span in first]
    if not any(earliest <= begins <= latest for earliest, latest in spans):
        earliest, latest = spans[0]
        right = f"is {earliest}" if earliest == latest else f"lies between {earliest} and {latest}"
        raise WeatherError(
            f"{service}: time = {begins} UTC: the first hour asked for {right}. "
            "The stamps are off, or a clock. The answer is not used.",
            passing=False,
        )


def _run_length(mask: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
    """Return at each place how many True end there in a row."""
    count = np.cumsum(mask)
    before = np.maximum.accumulate(np.where(mask, 0, count))
    return np.asarray(count - before, dtype=np.int64)
