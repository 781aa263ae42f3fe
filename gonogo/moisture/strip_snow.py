"""The snow of one strip, and what melts of it: the site's, unless something else was seen or done there."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from gonogo.moisture.ground_state import GroundState
from gonogo.soil.rain import FRESH_SNOW_MM_PER_MM, SETTLED_SNOW_MM_PER_MM, melt_mm

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteSnow:
    """Snow of a site by the hour, every array (H,).

    hour_utc    start of each hour, datetime64
    depth_mm    of the snow that lies at its start; melt_mm  water that it gives off in the hour
    fallen_mm   water equivalent that falls as snow in the hour
    temp_degc   air of the hour
    """

    hour_utc: npt.NDArray[np.datetime64]
    depth_mm: Floats
    melt_mm: Floats
    fallen_mm: Floats
    temp_degc: Floats


def row_of(at_utc: datetime, hour_utc: npt.NDArray[np.datetime64]) -> int:
    """Return the row whose hour holds a moment; it may lie off the table."""
    first_h = int(hour_utc[0].astype("datetime64[h]").astype(np.int64))
    return math.floor(at_utc.timestamp() / 3600.0 + 1e-9) - first_h


def is_own(ground: GroundState) -> bool:
    """Whether a strip may have other water from snow than its site, or from a pond."""
    return ground.cleared_utc is not None or ground.snow_utc is not None or ground.pond_utc is not None


def hour_of_snow(ground: GroundState) -> tuple[bool, int] | None:
    """Return whether snow was cleared or seen last, and in which hour [epoch h]: strips alike in it have one snow."""
    at_utc = ground.cleared_utc or ground.snow_utc
    return None if at_utc is None else (ground.cleared_utc is not None, math.floor(at_utc.timestamp() / 3600.0 + 1e-9))


def strip_snow(site: SiteSnow, ground: GroundState) -> tuple[Floats, Floats]:
    """Return snow on a strip at the start of each hour and what melts of it in the hour, (H,) [mm] each.

    On a cleared strip lies what fell since, or by what the service's depth has grown since its least; only that
    melts there. A clearing from before the table says nothing of the snow in it. Snow that was seen lies until it has
    melted by degree days, and is never less than the site's.
    """
    depth, melt, n_hours = site.depth_mm.copy(), site.melt_mm.copy(), len(site.depth_mm)
    if ground.cleared_utc is not None:
        row = row_of(ground.cleared_utc, site.hour_utc)
        if 0 <= row < n_hours:
            own, melt[row:] = _balance(site, row, 0.0, FRESH_SNOW_MM_PER_MM)
            grown = site.depth_mm[row:] - np.minimum.accumulate(site.depth_mm[row:])
            depth[row:] = np.maximum(own, grown)
    elif ground.snow_utc is not None:
        row = max(row_of(ground.snow_utc, site.hour_utc), 0)
        if row < n_hours:
            before_mm = ground.snow_mm / SETTLED_SNOW_MM_PER_MM
            own, own_melt = _balance(site, row, before_mm, SETTLED_SNOW_MM_PER_MM)
            depth[row:], melt[row:] = np.maximum(own, depth[row:]), np.maximum(own_melt, melt[row:])
    return depth, melt


def _balance(site: SiteSnow, row: int, before_mm: float, depth_per_mm: float) -> tuple[Floats, Floats]:
    """Return depth at the start of each hour from a row on, NaN from an unknown hour on, and what melts in it [mm]."""
    fallen_mm, degc = site.fallen_mm[row:], site.temp_degc[row:]
    unknown = np.maximum.accumulate(np.isnan(fallen_mm) | np.isnan(degc))
    fallen = np.nan_to_num(fallen_mm, nan=0.0)
    melted = melt_mm(fallen, np.nan_to_num(degc, nan=0.0), before_mm)
    # Snow of the hour in which a strip was cleared counts as fallen after that.
    lying = np.maximum(before_mm + np.cumsum(fallen) - np.concatenate([[0.0], np.cumsum(melted)[:-1]]), 0.0)
    return np.where(unknown, np.nan, depth_per_mm * np.where(lying > 1e-6, lying, 0.0)), melted
