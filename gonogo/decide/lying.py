"""What lies on each strip, hour by hour: the site's snow, and what was seen of snow and water on the strip itself."""

from __future__ import annotations

import math
from datetime import datetime

import numpy as np

from gonogo.decide.inputs import Floats, MorningInputs, on_hours
from gonogo.soil.ponding import Seen, standing_water_mm
from gonogo.soil.rain import FRESH_SNOW_MM_PER_MM, SETTLED_SNOW_MM_PER_MM, melt_mm
from gonogo.weather.frost import FROZEN_FROM_MM


def row_of(inputs: MorningInputs, at_utc: datetime) -> int:
    """Return the row whose hour holds a moment; it may lie off the table."""
    first_h = int(inputs.hour_utc[0].astype("datetime64[h]").astype(np.int64))
    return math.floor(at_utc.timestamp() / 3600.0 + 1e-9) - first_h


def snow(inputs: MorningInputs) -> tuple[Floats, Floats]:
    """Return snow on each strip at the start of each hour and what melts of it in the hour, (H, S) [mm] each.

    The site's snow lies on a strip of which nothing else is recorded. On one that was cleared lies what fell since, or
    by what the service's depth has grown since; snow from before the table that was cleared then is the site's again.
    Snow that was seen lies until it has melted by degree days, and never less than the site's.
    """
    weather = inputs.weather
    site = on_hours(inputs, weather.snow_lying_mm)
    fallen, degc = on_hours(inputs, weather.snow_mm), on_hours(inputs, weather.temp_degc)
    melted = np.nan_to_num(on_hours(inputs, weather.melt_mm), nan=0.0)
    n_strips = len(inputs.strips)
    depths, melts = np.repeat(site[:, None], n_strips, axis=1), np.repeat(melted[:, None], n_strips, axis=1)
    for s in range(n_strips):
        ground = inputs.ground(s)
        if ground.cleared_utc is not None and 0 <= (row := row_of(inputs, ground.cleared_utc)) < len(site):
            own, own_melt = _balance(fallen[row:], degc[row:], 0.0, FRESH_SNOW_MM_PER_MM)
            grown = site[row:] - np.minimum.accumulate(site[row:])
            depths[row:, s], melts[row:, s] = np.maximum(own, grown), own_melt
        elif ground.snow_utc is not None and (row := max(row_of(inputs, ground.snow_utc), 0)) < len(site):
            before = ground.snow_mm / SETTLED_SNOW_MM_PER_MM
            own, own_melt = _balance(fallen[row:], degc[row:], before, SETTLED_SNOW_MM_PER_MM)
            depths[row:, s] = np.maximum(own, site[row:])
            melts[row:, s] = np.maximum(own_melt, melted[row:])
    return depths, melts


def _balance(fallen_mm: Floats, degc: Floats, before_mm: float, depth_per_mm: float) -> tuple[Floats, Floats]:
    """Return depth at the start of each hour and melt of it [mm] of snow that lies or falls; NaN from an unknown on."""
    unknown = np.maximum.accumulate(np.isnan(fallen_mm) | np.isnan(degc))
    fallen, warm = np.nan_to_num(fallen_mm, nan=0.0), np.nan_to_num(degc, nan=0.0)
    melted = melt_mm(fallen, warm, before_mm)
    # Snow of the hour in which it was cleared counts as fallen after that.
    lying = np.maximum(before_mm + np.cumsum(fallen) - np.concatenate([[0.0], np.cumsum(melted)[:-1]]), 0.0)
    lying = np.where(lying > 1e-6, lying, 0.0)
    return np.where(unknown, np.nan, depth_per_mm * lying), melted


def standing_mm(inputs: MorningInputs, rain_mm: Floats, melted_mm: Floats) -> Floats:
    """Return the water that stands on each strip at the start of each hour, (H, S, M) [mm].

    rain_mm (H, M); melted_mm (H, S). Water that was seen stands as deep as it was, until it has soaked in and dried
    off or was drained.
    """
    known = np.asarray(~np.isnan(rain_mm).all(axis=1))
    if known.any():  # before the first hour of the weather nothing is known to stand
        rain_mm = np.where(np.arange(len(known))[:, None] < int(np.argmax(known)), 0.0, rain_mm)
    return standing_water_mm(
        rain_mm,
        inputs.et0_mm,
        on_hours(inputs, inputs.weather.frost_depth_mm) >= FROZEN_FROM_MM,
        soil_classes=[inputs.material(strip).soil_class for strip in inputs.strips],
        surfaces=[inputs.surface(s).value for s in range(len(inputs.strips))],
        melt_mm=melted_mm,
        seen=[event for s in range(len(inputs.strips)) for event in _pond(inputs, s)],
    )


def _pond(inputs: MorningInputs, s: int) -> list[Seen]:
    """Return what was seen of water on row s of the strips, as events on the table's hours."""
    ground = inputs.ground(s)
    if ground.pond_utc is None:
        return []
    last = len(inputs.hour_utc) - 1
    row = min(max(row_of(inputs, ground.pond_utc), 0), last)
    stood = Seen(hour=row, strip=s, depth_mm=ground.pond_mm)
    if ground.drained_utc is None:
        return [stood]
    drained = row_of(inputs, ground.drained_utc)
    return [] if drained <= row else [stood, Seen(hour=min(drained, last), strip=s, depth_mm=0.0)]


def pond_end_row(inputs: MorningInputs, standing: Floats, s: int) -> int | None:
    """Return the row from which the water that was seen on row s no longer stands, None where it stands throughout.

    standing  (H, S, M) as of `standing_mm`; a mean below the site's stop counts as gone. A draining is left out.
    """
    ground = inputs.ground(s)
    if ground.pond_utc is None:
        return None
    row = max(row_of(inputs, ground.pond_utc), 0)
    mean = standing[row:, s].mean(axis=1)
    gone = np.flatnonzero(mean < inputs.setting("ponding_stop_mm"))
    return row + int(gone[0]) if len(gone) else None
