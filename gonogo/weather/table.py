"""What a service hands over: one table with our column names and units, before any check.

A row is the hour from its time on. Open-Meteo stamps sums at the END of their hour, MET Norway and the US service at
the START; a state belongs to its own moment. Everything is requested, or given, in UTC; local labels whose offset is
no full hour are refused, because nobody can say which hour they mean.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from gonogo.weather.notes import Note

if TYPE_CHECKING:
    import pandas as pd  # takes long to import: where a table is at hand

Floats = npt.NDArray[np.float64]

THUNDER_CODES = (17.0, 29.0, 95.0, 96.0, 97.0, 98.0, 99.0)  # WMO code table 4677, present weather
FREEZING_CODES = (24.0, 56.0, 57.0, 66.0, 67.0)  # the same: drizzle and rain that freeze where they fall


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of the hourly table.

    unit           as our names state it
    low, high      a value outside is an error of unit or transport: the forecast is rejected, or, for a column that is
                   not essential, the column left out; common sense, no source
    is_essential   without it there is no moisture model
    may_bridge     a short gap is filled in a straight line; of an essential column that may not, it stays unknown
    clip_low, clip_high   a value between low and clip_low (clip_high and high) is a model's rounding and is set to it
    """

    unit: str
    low: float
    high: float
    is_essential: bool
    may_bridge: bool
    clip_low: float | None = None
    clip_high: float | None = None


COLUMNS: dict[str, Column] = {
    "temp_degc": Column(unit="degC", low=-60.0, high=60.0, is_essential=True, may_bridge=True),
    "rh_pct": Column(unit="%", low=0.0, high=105.0, is_essential=True, may_bridge=True, clip_high=100.0),
    "wind_2m_m_s": Column(unit="m/s", low=0.0, high=75.0, is_essential=True, may_bridge=True),
    "pressure_kpa": Column(unit="kPa", low=45.0, high=110.0, is_essential=True, may_bridge=True),
    "shortwave_w_m2": Column(unit="W/m2", low=-5.0, high=1400.0, is_essential=True, may_bridge=True, clip_low=0.0),
    "precip_mm": Column(unit="mm", low=0.0, high=300.0, is_essential=True, may_bridge=False),
    "snow_mm": Column(unit="mm", low=0.0, high=300.0, is_essential=False, may_bridge=True),
    "snow_depth_mm": Column(unit="mm", low=0.0, high=20_000.0, is_essential=False, may_bridge=True),
    "rain_chance": Column(unit="-", low=0.0, high=1.0, is_essential=False, may_bridge=False),
    "chance_span_h": Column(unit="h", low=1.0, high=24.0, is_essential=False, may_bridge=False),
    "thunder_chance": Column(unit="-", low=0.0, high=1.0, is_essential=False, may_bridge=False),
    "surface_temp_degc": Column(unit="degC", low=-60.0, high=80.0, is_essential=False, may_bridge=False),
    "weather_code": Column(unit="WMO 4677", low=0.0, high=99.0, is_essential=False, may_bridge=False),
    "cloud_pct": Column(unit="%", low=0.0, high=100.0, is_essential=False, may_bridge=False),
    "dew_point_degc": Column(unit="degC", low=-80.0, high=40.0, is_essential=False, may_bridge=False),
    "service_et0_mm": Column(unit="mm", low=-1.0, high=3.0, is_essential=False, may_bridge=False),
}
ESSENTIAL = tuple(name for name, column in COLUMNS.items() if column.is_essential)


@dataclass(frozen=True, slots=True, kw_only=True)
class ParsedForecast:
    """A service's answer in our names and units, unchecked.

    table             a row is the hour [hour_utc, hour_utc + 1 h): `hour_utc` (datetime64[s], UTC) and the columns of
                      COLUMNS; NaN where the service says nothing. The same hour may stand in two rows whose columns
                      complete each other (a state stamped at its start, a sum stamped at its end).
                      `rain_chance` is the chance of rain in the hour, or in the period of `chance_span_h` hours
                      that holds it (NaN: one hour)
    stamp_utc         the service's own stamps in the order in which they came, datetime64[s]
    latitude_deg, longitude_deg   the place that the service answers for
    notes             what was estimated or left out, for the mail's foot
    rain_members_mm   (len(table), K) precipitation of an ensemble's members, NaN where a member says nothing;
                      None where the service has no ensemble
    issued_utc        when the service made the forecast, None where it does not say
    """

    service: str
    attribution: tuple[tuple[str, str], ...]
    latitude_deg: float
    longitude_deg: float
    table: pd.DataFrame
    stamp_utc: npt.NDArray[np.datetime64]
    notes: tuple[Note, ...] = ()
    rain_members_mm: Floats | None = field(default=None, repr=False)
    issued_utc: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceivedForecast:
    """A service's answer, parsed, with what the machine knows of its coming.

    fetched_utc      when it came
    clock_offset_s   the service's clock less the machine's at that moment [s], NaN where it is not known
    doubts           where it differs from the service's previous answer over the same hours: with such a note the rain
                     ahead counts as not known
    checked          (table, notes) of `checks.passed` where it has passed the checks already, None else
    """

    parsed: ParsedForecast
    fetched_utc: datetime
    clock_offset_s: float = np.nan
    doubts: tuple[Note, ...] = ()
    checked: tuple[pd.DataFrame, list[Note]] | None = None


def hour_rows(
    stamp_utc: npt.NDArray[np.datetime64],
    *,
    at_stamp: Mapping[str, Floats],
    before_stamp: Mapping[str, Floats],
) -> pd.DataFrame:
    """Return the table of a service that stamps states at their moment and sums at the END of their hour.

    at_stamp       columns whose value at stamp T belongs to the row [T, T + 1 h)
    before_stamp   columns whose value at stamp T belongs to the row [T - 1 h, T)

    Nothing is sorted, merged or filled: that is for the checks, which say what they did.
    """
    import pandas as pd

    stamps = stamp_utc.astype("datetime64[s]")
    n_stamps = len(stamps)
    values = np.full((2 * n_stamps, len(COLUMNS)), np.nan)
    for at, name in enumerate(COLUMNS):
        values[:n_stamps, at] = at_stamp.get(name, np.nan)
        values[n_stamps:, at] = before_stamp.get(name, np.nan)
    table = pd.DataFrame(values, columns=list(COLUMNS))
    table.insert(0, "hour_utc", np.concatenate([stamps, stamps - np.timedelta64(3600, "s")]))
    return table


def code_of_hour(code: Floats, stamp_utc: npt.NDArray[np.datetime64]) -> Floats:
    """Return the code of the hour after each stamp: the service's is of a moment, and thunder at either end counts."""
    follows = np.append(np.diff(stamp_utc.astype("datetime64[s]")) == np.timedelta64(3600, "s"), False)
    at_end = np.append(code[1:], np.nan)
    is_thunder_at_end = follows & np.isin(at_end, THUNDER_CODES) & ~np.isin(code, THUNDER_CODES)
    return np.where(is_thunder_at_end, at_end, code)
