"""Checks of rain and snow. Rain that is missing, or that the rest of an answer contradicts, is unknown, never dry."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from gonogo.times import as_datetime, as_hour
from gonogo.weather.agreement import doubtful_rain
from gonogo.weather.asked import Asked, Checked
from gonogo.weather.members import WET_MM_H
from gonogo.weather.notes import note
from gonogo.weather.table import COLUMNS, FREEZING_CODES

if TYPE_CHECKING:
    import pandas as pd  # takes long to import: where a table is at hand

SNOW_CODES = (71.0, 73.0, 75.0, 77.0, 85.0, 86.0)  # WMO 4677: snowfall, snow grains, snow showers
LIQUID_CODES = (51.0, 53.0, 55.0, 61.0, 63.0, 65.0, 80.0, 81.0, 82.0, *FREEZING_CODES)  # WMO 4677: drizzle, rain
SNOW_BELOW_DEGC = 0.0  # where a service says nothing of snow; common practice, no source
ESTIMATED_LIGHT = ("radiation_unknown", "radiation_from_cloud", "radiation_from_temperature")  # keys of notes
# What rain that nobody told is taken to be; choices of ours, no source.
NEIGHBOUR_H = 6
NEIGHBOUR_SHARE = 0.8  # of the chance of the wettest hour around
LEAST_CHANCE, LEAST_WET_MM = 0.15, 1.0

Floats = npt.NDArray[np.float64]


def separated(table: pd.DataFrame, asked: Asked) -> Checked:
    """Separate snow from rain; where the service says nothing of snow, by weather code, else by temperature."""
    table, notes = table.copy(), []
    precip = np.nan_to_num(table["precip_mm"].to_numpy(dtype=np.float64))
    snow = table["snow_mm"].to_numpy(dtype=np.float64, copy=True)
    unsaid = np.isnan(snow)
    if unsaid.any():
        cold = table["temp_degc"].to_numpy(dtype=np.float64) <= SNOW_BELOW_DEGC
        code = table["weather_code"].to_numpy(dtype=np.float64)
        falls_as_snow = np.isin(code, SNOW_CODES) | (cold & ~np.isin(code, LIQUID_CODES))
        snow[unsaid] = np.where(falls_as_snow, precip, 0.0)[unsaid]
        if (snow[unsaid] > 0).any():
            notes.append(note("snow_by_temperature", water_mm=float(snow[unsaid].sum())))
    # A snow depth turned into water can exceed the hour's whole precipitation by its own rounding.
    snow = np.minimum(snow, precip)
    table["snow_mm"], table["rain_mm"] = snow, precip - snow
    return table, notes


def without_rain_ahead(table: pd.DataFrame, now_utc: datetime) -> pd.DataFrame:
    """Return a checked table whose rain from now on is not known."""
    table = table.copy()
    ahead = table.index >= as_hour(now_utc)
    table.loc[ahead, "precip_mm"] = np.nan
    table.loc[ahead, ["rain_mm", "snow_mm"]] = 0.0
    return table


def possible_members(table: pd.DataFrame, asked: Asked) -> Checked:
    """Reject an ensemble with an impossible rain of a member: it would go unseen among the others."""
    members = asked.parsed.rain_members_mm
    if members is None:
        return table, []
    low, high = COLUMNS["precip_mm"].low, COLUMNS["precip_mm"].high
    outside = (members < low) | (members > high)
    if outside.any():
        raise asked.rejected(
            "rain of a member",
            f"{members[outside][0]:g} mm",
            f"{int(outside.sum())} values lie outside {low:g} to {high:g}.",
            "Values inside that range are right.",
        )
    return table, []


def doubted(table: pd.DataFrame, asked: Asked) -> Checked:
    """Leave the rain of a day unknown that the rest of the answer contradicts; reject what contradicts more.

    Hours whose rain is not known have NaN as `precip_mm`, and 0 as `rain_mm` and `snow_mm`.
    """
    is_light_told = not any(found.key in ESTIMATED_LIGHT for found in asked.parsed.notes)
    doubtful = doubtful_rain(table, asked.site, service=asked.parsed.service, is_light_told=is_light_told)
    notes = []
    if missing := int(table["precip_mm"].isna().sum()):
        notes.append(note("rain_missing", n=missing, from_utc=_first(table, table["precip_mm"].isna().to_numpy())))
    if doubtful.any():
        notes.append(note("rain_contradicted", n=int(doubtful.sum()), from_utc=_first(table, doubtful)))
        table = table.copy()
        table.loc[doubtful, "precip_mm"] = np.nan
        table.loc[doubtful, ["rain_mm", "snow_mm"]] = 0.0
    return table, notes


def _first(table: pd.DataFrame, mask: npt.NDArray[np.bool_]) -> datetime:
    """Return the first hour of a mask."""
    return as_datetime(table.index[int(np.argmax(mask))].to_numpy())


def of_unknown_hours(rain_mm: Floats, rain_chance: Floats, is_unknown: npt.NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Return (rain_mm, rain_chance) with what unknown hours are taken to bring: chance and amount of the hours around.

    rain_mm, rain_chance   (H,) as told, the chance NaN where the service has none
    is_unknown             (H,) hours whose rain nobody told

    The chance is the greatest of the hour's own, of the hours within NEIGHBOUR_H, and of the share of wet hours of the
    whole table (the season here); the amount is that of a wet hour there, never under 1 mm. Our own choices, no source.
    """
    if not is_unknown.any():
        return rain_mm, rain_chance
    known = ~is_unknown
    wet = known & (rain_mm >= WET_MM_H)
    season = max(float(wet.sum()) / max(int(known.sum()), 1), LEAST_CHANCE)
    wet_mm = max(float(rain_mm[wet].mean()) if wet.any() else 0.0, LEAST_WET_MM)
    stated = np.where(known, np.maximum(wet, np.nan_to_num(rain_chance)), 0.0)
    around = np.array([stated[max(h - NEIGHBOUR_H, 0) : h + NEIGHBOUR_H + 1].max() for h in range(len(stated))])
    chance = np.maximum(np.maximum(np.nan_to_num(rain_chance), NEIGHBOUR_SHARE * around), season)
    return np.where(is_unknown, chance * wet_mm, rain_mm), np.where(is_unknown, chance, rain_chance)
