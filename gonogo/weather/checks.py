"""The checks that a forecast passes before it is used. Each row of CHECKS corrects and says so, or rejects."""

from __future__ import annotations

import math
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from gonogo.times import as_datetime, as_hour
from gonogo.weather import precipitation
from gonogo.weather.asked import Asked, Check, Checked
from gonogo.weather.notes import note
from gonogo.weather.table import COLUMNS, ESSENTIAL

if TYPE_CHECKING:
    import pandas as pd  # takes long to import: where a table is at hand

MAX_DISTANCE_KM = 30.0  # grid cells are at most some 25 km wide; beyond it the answer is for another place
MAX_BRIDGED_H = 3  # longest gap filled from its neighbours, or rain left unknown; common sense, no source
MAX_BRIDGED_SHARE = 0.05  # of all hours; more than that is no forecast with gaps but a broken one
MIN_AHEAD_H = 24  # a forecast that ends sooner cannot carry a working day and the night after it
RECENT_RAIN_H = 72  # a table that begins later than this before now is used, and the mail says what is not known
MAX_SPAN_H = 120 * 24  # the longest table a service can give (92 days back, 16 ahead) and some days more
EARTH_RADIUS_KM = 6371.0


def distance_km(lat_a_deg: float, lon_a_deg: float, lat_b_deg: float, lon_b_deg: float) -> float:
    """Return the great-circle distance of two places [km] (haversine formula)."""
    lat_a, lon_a, lat_b, lon_b = map(math.radians, (lat_a_deg, lon_a_deg, lat_b_deg, lon_b_deg))
    h = math.sin((lat_b - lat_a) / 2) ** 2 + math.cos(lat_a) * math.cos(lat_b) * math.sin((lon_b - lon_a) / 2) ** 2
    return 2 * EARTH_RADIUS_KM * math.asin(min(1.0, math.sqrt(h)))


def _place(table: pd.DataFrame, asked: Asked) -> Checked:
    """Reject an answer for another place."""
    site, parsed = asked.site, asked.parsed
    away_km = distance_km(site.latitude_deg, site.longitude_deg, parsed.latitude_deg, parsed.longitude_deg)
    if not away_km <= MAX_DISTANCE_KM:
        raise asked.rejected(
            "latitude, longitude",
            f"{parsed.latitude_deg:.4f}, {parsed.longitude_deg:.4f}",
            f"this is {away_km:.0f} km from the site at {site.latitude_deg:.4f}, {site.longitude_deg:.4f}.",
            f"A place within {MAX_DISTANCE_KM:.0f} km is right.",
        )
    return table, []


def _whole_hours(table: pd.DataFrame, asked: Asked) -> Checked:
    """Reject stamps off the full hour: nobody can say to which hour their values belong."""
    seconds = asked.parsed.stamp_utc.astype("datetime64[s]").astype(np.int64)
    off = seconds % 3600 != 0
    if off.any():
        first = str(asked.parsed.stamp_utc[int(np.argmax(off))])
        raise asked.rejected("time", f"{first} UTC", "the stamp is not a full hour of UTC.", "Ask for times in GMT.")
    return table, []


def _order(table: pd.DataFrame, asked: Asked) -> Checked:
    """Sort hours that came out of order."""
    steps = np.diff(asked.parsed.stamp_utc.astype("datetime64[s]").astype(np.int64))
    if (steps < 0).any():
        return table.sort_values("hour_utc", kind="stable"), [note("hours_sorted")]
    return table, []


def _duplicates(table: pd.DataFrame, asked: Asked) -> Checked:
    """Bring every hour to one row; reject where two rows of one hour contradict each other."""
    import pandas as pd

    names = list(COLUMNS)
    hours = table["hour_utc"].to_numpy()
    values = table[names].to_numpy(dtype=np.float64)
    if len(hours) == len(asked.parsed.stamp_utc) and np.all(hours[1:] > hours[:-1]):  # as good as every answer
        return pd.DataFrame(values, index=pd.DatetimeIndex(hours).as_unit("s"), columns=names), []
    in_order = np.argsort(hours, kind="stable")
    values = values[in_order]
    each, starts = np.unique(hours[in_order], return_index=True)
    least, greatest = np.fmin.reduceat(values, starts), np.fmax.reduceat(values, starts)
    contradicts = ~np.isnan(least) & (least != greatest)
    if contradicts.any():
        row, column = np.argwhere(contradicts)[0]
        raise asked.rejected(
            names[column],
            f"{least[row, column]:g} and {greatest[row, column]:g}",
            f"one hour ({asked.spoken(each[row])}) has two values.",
            "One value an hour is right.",
        )
    one_row_each = pd.DataFrame(least, index=pd.DatetimeIndex(each).as_unit("s"), columns=names)
    repeated = len(asked.parsed.stamp_utc) - len(np.unique(asked.parsed.stamp_utc))
    return one_row_each, [note("hours_twice", n=repeated)] if repeated else []


def _ranges(table: pd.DataFrame, asked: Asked) -> Checked:
    """Reject impossible values; clip a model's rounding; leave out a column that nothing depends on."""
    import pandas as pd

    whole, notes = table[list(COLUMNS)].to_numpy(dtype=np.float64, copy=True), []
    for at, (name, column) in enumerate(COLUMNS.items()):
        values = whole[:, at]
        outside = (values < column.low) | (values > column.high)
        if outside.any():
            found = f"{values[int(np.argmax(outside))]:g} {column.unit}"
            wrong = f"{int(outside.sum())} values lie outside {column.low:g} to {column.high:g}."
            if column.is_essential:
                raise asked.rejected(name, found, wrong, "Values inside that range are right.")
            notes.append(note("column_left_out", column=name, n=int(outside.sum())))
            values[:] = np.nan
        for limit, beyond in ((column.clip_low, np.less), (column.clip_high, np.greater)):
            if limit is not None and (clipped := beyond(values, limit)).any():
                notes.append(note("column_clipped", column=name, n=int(clipped.sum())))
                values[clipped] = limit
    return pd.DataFrame(whole, index=table.index, columns=list(COLUMNS)), notes


def _ends(table: pd.DataFrame, asked: Asked) -> Checked:
    """Cut hours before the first and after the last that are whole; reject a table without an essential column."""
    is_given = ~np.isnan(table[list(ESSENTIAL)].to_numpy(dtype=np.float64))
    for name, given in zip(ESSENTIAL, is_given.T, strict=True):
        if not given.any():
            raise asked.rejected(name, "nothing", "the service gave no value of it.", "It cannot be done without.")
    whole = np.flatnonzero(is_given.all(axis=1))
    if not len(whole):
        raise asked.rejected("hourly", "nothing", "no hour has all its values.", "Whole hours are right.")
    first, last = int(whole[0]), int(whole[-1])
    notes = []
    # One hour at each end is always half: a state is stamped at its start, a sum at its end.
    if first > 1:
        notes.append(note("first_hours_empty", n=first, from_utc=_at(table, first)))
    if (missing := len(table) - 1 - last) > 1:
        notes.append(note("last_hours_empty", n=missing, until_utc=_at(table, last)))
    return table.iloc[first : last + 1], notes


def _gaps(table: pd.DataFrame, asked: Asked) -> Checked:
    """Fill short gaps in a straight line between their neighbours, reject long ones. Missing rain stays unknown."""
    import pandas as pd

    hours = table.index.to_numpy().astype("datetime64[h]")
    n_hours = int((hours[-1] - hours[0]).astype(np.int64)) + 1
    if n_hours > MAX_SPAN_H:
        raise asked.rejected(
            "time", f"{hours[0]} to {hours[-1]}", "no service reaches so far.", "The stamps are wrong."
        )
    every_hour = pd.DatetimeIndex(hours[0] + np.arange(n_hours)).as_unit("s")
    table = table.copy() if len(table) == n_hours else table.reindex(every_hour)  # it has each hour once by now
    bridged = np.zeros(n_hours, dtype=bool)
    missing_of = dict(zip(table.columns, np.isnan(table.to_numpy(dtype=np.float64)).T, strict=True))
    for name, column in COLUMNS.items():
        missing = missing_of[name]
        if not missing.any() or missing.all() or not (column.may_bridge or column.is_essential):
            continue
        start, length = _longest_run(missing)
        if length > MAX_BRIDGED_H and column.is_essential:
            raise asked.rejected(
                name,
                f"nothing from {every_hour[start]} UTC",
                f"{length} hours in a row are missing.",
                f"At most {MAX_BRIDGED_H} can be filled from their neighbours.",
            )
        bridged |= missing & column.is_essential
        if length > MAX_BRIDGED_H or not column.may_bridge:
            continue
        known = np.flatnonzero(~missing)
        values = table[name].to_numpy(dtype=np.float64, copy=True)
        values[missing] = np.interp(np.flatnonzero(missing), known, values[known])
        table[name] = values
    n_bridged = int(bridged.sum())
    if n_bridged > MAX_BRIDGED_SHARE * n_hours:
        raise asked.rejected(
            "hourly",
            f"{n_bridged} of {n_hours} hours with gaps",
            f"more than {100 * MAX_BRIDGED_SHARE:.0f} % of the hours would be filled from neighbours.",
            "A whole forecast is right.",
        )
    if n_bridged:
        first = as_datetime(every_hour[int(np.argmax(bridged))].to_numpy())
        return table, [note("gaps_filled", n=n_bridged, from_utc=first)]
    return table, []


def _cover(table: pd.DataFrame, asked: Asked) -> Checked:
    """Reject a table that does not hold this hour and the next day; say where recent rain is not known."""
    now = as_hour(asked.now_utc)
    hours = table.index.to_numpy().astype("datetime64[h]")
    ahead_h = int((hours[-1] - now).astype(np.int64)) + 1
    if hours[0] > now or ahead_h < MIN_AHEAD_H:
        raise asked.rejected(
            "time",
            f"{hours[0]} to {hours[-1]} UTC",
            f"this does not reach from now ({now} UTC) to {MIN_AHEAD_H} hours ahead.",
            "The service is out of date, or a clock or a time zone is wrong.",
        )
    if (now - hours[0]).astype(np.int64) < RECENT_RAIN_H:
        return table, [note("rain_before_unknown", from_utc=as_datetime(hours[0]))]
    return table, []


CHECKS: tuple[Check, ...] = (
    Check(id="place", looks_for="an answer for a place more than 30 km away", then="reject", run=_place),
    Check(id="whole_hours", looks_for="stamps off the full hour of UTC", then="reject", run=_whole_hours),
    Check(id="order", looks_for="hours out of order", then="sort, say so", run=_order),
    Check(id="duplicates", looks_for="an hour given twice", then="same values: one row, else reject", run=_duplicates),
    Check(id="ranges", looks_for="impossible values", then="clip rounding, else reject", run=_ranges),
    Check(id="members", looks_for="impossible rain of a member", then="reject", run=precipitation.possible_members),
    Check(id="ends", looks_for="hours without values at the ends", then="cut, say so", run=_ends),
    Check(id="gaps", looks_for="missing hours and nulls inside", then="to 3 h: fill, say so; else reject", run=_gaps),
    Check(id="cover", looks_for="a table without this hour or the next day", then="reject", run=_cover),
    Check(id="snow", looks_for="snow inside precipitation", then="separate it", run=precipitation.separated),
    Check(
        id="agreement",
        looks_for="columns that contradict each other",
        then="one day's rain: not known; else reject",
        run=precipitation.doubted,
    ),
)


def passed(asked: Asked) -> Checked:
    """Return (table, notes) after every check: one row an hour, indexed by it, with `rain_mm` and `snow_mm`.

    Raises WeatherError where a forecast cannot be used.
    """
    table, notes = asked.parsed.table, list(asked.parsed.notes)
    if not len(table):
        raise asked.rejected("hourly", "nothing", "the table is empty.", "Hours are right.")
    for check in CHECKS:
        table, found = check.run(table, asked)
        notes += found
    return table, notes


def _at(table: pd.DataFrame, row: int) -> datetime:
    """Return the hour of a row."""
    return as_datetime(table.index[row].to_numpy())


def _longest_run(mask: npt.NDArray[np.bool_]) -> tuple[int, int]:
    """Return (start, length) of the longest run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    starts, ends = edges[::2], edges[1::2]
    longest = int(np.argmax(ends - starts))
    return int(starts[longest]), int(ends[longest] - starts[longest])
