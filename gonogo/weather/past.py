"""The weather of the days before a forecast begins: from earlier forecasts of the same site, and from its gauge.

The table is filled backwards up to the first hour whose rain nobody knows; a lift whose last test lies before that
waits. Rain from an earlier forecast is spread 1.5 times.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from gonogo.records.field import GaugeRain
from gonogo.times import as_datetime, as_hour
from gonogo.weather.gauge import covered_share
from gonogo.weather.notes import Note, note
from gonogo.weather.table import COLUMNS, ESSENTIAL, ParsedForecast, ReceivedForecast

if TYPE_CHECKING:
    import pandas as pd  # takes long to import: where a table is at hand

Floats = npt.NDArray[np.float64]
Hours = npt.NDArray[np.datetime64]

WANTED_BACK_H = 14 * 24  # how much past the moisture model likes to have
FULL_SHARE = 0.999  # of an hour that a gauge must vouch for
DAYS_TO_BORROW = 3  # how many days on an hour may borrow its states from


@dataclass(frozen=True, slots=True, kw_only=True)
class Filled:
    """A forecast with the past put in front of it.

    hour_utc    (P,)  the hours that were put in front, rising
    lead_h      (P,)  how long before the hour its forecast had come, 0 where it came later; hours that nobody forecast
                      and only the gauge vouches for have 0 too
    n_forecasts number of earlier forecasts used; n_borrowed hours whose states stand for another day's
    """

    parsed: ParsedForecast
    hour_utc: Hours = field(default_factory=lambda: np.zeros(0, dtype="datetime64[h]"))
    lead_h: Floats = field(default_factory=lambda: np.zeros(0))
    n_forecasts: int = 0
    n_borrowed: int = 0

    def notes(self) -> list[Note]:
        """Return where the past comes from, if any was put in front."""
        if not len(self.hour_utc):
            return []
        since_utc = as_datetime(self.hour_utc[0])
        counts = (("past_from_forecasts", self.n_forecasts), ("past_from_gauge", self.n_borrowed))
        return [note(key, from_utc=since_utc, n=n) for key, n in counts if n]


def is_short(parsed: ParsedForecast, now_utc: datetime) -> bool:
    """Return whether a forecast begins too late to hold the recent rain by itself."""
    begin = as_hour(now_utc) - np.timedelta64(WANTED_BACK_H, "h")
    hours = parsed.table["hour_utc"].to_numpy()
    is_before = hours <= begin
    columns = (parsed.table[name].to_numpy(dtype=np.float64) for name in ESSENTIAL)
    if all((is_before & ~np.isnan(column)).any() for column in columns):
        return False
    whole = _whole(parsed)
    return bool(len(whole)) and whole.index[0].to_numpy() > begin


def filled(
    parsed: ParsedForecast, earlier: Sequence[ReceivedForecast], gauge: Sequence[GaugeRain], *, now_utc: datetime
) -> Filled:
    """Return a forecast with the hours before its first put in front, as far back as the rain of every hour is known.

    An hour comes from the newest earlier forecast that holds it: of a service without past, its first hours; of one
    with past days, what it said of them last. An hour that no forecast holds is taken in where the gauge vouches for
    its rain: its other values stand as at the same hour of the nearest day after it. The first hour of unknown rain,
    going back, ends the table: what fell before it is not known, and nobody may take it for dry.
    """
    import pandas as pd

    if not is_short(parsed, now_utc):
        return Filled(parsed=parsed)
    whole = _whole(parsed)
    first = whole.index[0].to_numpy().astype("datetime64[h]")
    begin = as_hour(now_utc) - np.timedelta64(WANTED_BACK_H, "h")
    n_back = int((first - begin).astype(np.int64))
    if n_back <= 0:
        return Filled(parsed=parsed)
    hours = begin + np.arange(n_back)
    table, source, lead_h = _forecast_before(hours, earlier)
    known = (source >= 0) | (_gauged_share(hours, gauge, now_utc) >= FULL_SHARE)
    start = n_back - int(np.argmin(known[::-1])) if not known.all() else 0
    # States of hours that only the gauge knows come from the days after them.
    borrowed = [row for row in range(n_back - 1, start - 1, -1) if source[row] < 0]
    for row in borrowed:
        states = _same_hour_later(table, whole, hours[row])
        if states is None:
            start = row + 1
            break
        table.iloc[row] = states
    if start >= n_back:
        return Filled(parsed=parsed)
    front = table.iloc[start:].reset_index(names="hour_utc")
    kept = (parsed.table["hour_utc"] >= np.datetime64(first, "s")).to_numpy()
    members = parsed.rain_members_mm
    if members is not None:
        members = np.concatenate([np.full((len(front), members.shape[1]), np.nan), members[kept]])
    return Filled(
        parsed=replace(
            parsed,
            table=pd.concat([front, parsed.table[kept]], ignore_index=True),
            rain_members_mm=members,
        ),
        hour_utc=hours[start:],
        lead_h=lead_h[start:],
        n_forecasts=len(set(source[start:].tolist()) - {-1}),
        n_borrowed=sum(row >= start for row in borrowed),
    )


def _forecast_before(
    hours: Hours, earlier: Sequence[ReceivedForecast]
) -> tuple[pd.DataFrame, npt.NDArray[np.int64], Floats]:
    """Return (table, number of the forecast of each row or -1, lead of each row [h]) of hours gone by."""
    import pandas as pd

    table = pd.DataFrame(np.nan, index=pd.DatetimeIndex(hours).as_unit("s"), columns=list(COLUMNS))
    source, lead_h = np.full(len(hours), -1), np.zeros(len(hours))
    for number, forecast in enumerate(sorted(earlier, key=lambda forecast: forecast.fetched_utc)):
        held = _whole(forecast.parsed)
        held = held[(held.index >= table.index[0]) & (held.index <= table.index[-1])]
        at = table.index.get_indexer(held.index)
        table.iloc[at] = held[list(COLUMNS)].to_numpy()
        source[at] = number
        came = np.datetime64(forecast.fetched_utc.replace(tzinfo=None), "h")
        lead_h[at] = np.maximum((hours[at] - came).astype(np.float64), 0.0)
    return table, source, lead_h


def _gauged_share(hours: Hours, gauge: Sequence[GaugeRain], now_utc: datetime) -> Floats:
    """Return the share of each hour that the gauge vouches for."""
    share = np.zeros(len(hours))
    for reading in gauge:
        if reading.until_utc > reading.from_utc and reading.until_utc <= now_utc:
            share = np.maximum(share, covered_share(hours, reading.from_utc, reading.until_utc))
    return share


def _whole(parsed: ParsedForecast) -> pd.DataFrame:
    """Return the hours of a forecast that have every essential value, indexed by hour."""
    by_hour = parsed.table.groupby("hour_utc", sort=True).first()
    return by_hour[by_hour[list(ESSENTIAL)].notna().all(axis=1)]


def _same_hour_later(table: pd.DataFrame, whole: pd.DataFrame, hour: np.datetime64) -> Floats | None:
    """Return the values of the same hour one to three days later, without its rain; None where no such day is known."""
    import pandas as pd

    for days in range(1, DAYS_TO_BORROW + 1):
        at = pd.Timestamp(hour + np.timedelta64(24 * days, "h"))
        for known in (table, whole):
            if at in known.index and not known.loc[at, list(ESSENTIAL)].isna().any():
                row = known.loc[at, list(COLUMNS)].copy()
                row["precip_mm"], row["snow_mm"] = 0.0, 0.0  # the gauge brings the amount
                row["rain_chance"] = row["thunder_chance"] = row["weather_code"] = np.nan
                return np.asarray(row.to_numpy(dtype=np.float64), dtype=np.float64)
    return None


def wanted_since_utc(now_utc: datetime) -> datetime:
    """Return from when on stored answers may be of use: the past that is wanted, and the lead of the oldest of it."""
    return now_utc - timedelta(hours=WANTED_BACK_H + 24)
