"""What lies on each strip, hour by hour: the site's snow, and what was seen of snow and water on the strip itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from gonogo.decide.inputs import Floats, MorningInputs, on_hours
from gonogo.moisture.strip_snow import SiteSnow, row_of, strip_snow
from gonogo.soil.by_strip import ByStrip
from gonogo.soil.ponding import Seen, standing_water_mm
from gonogo.weather.frost import FROZEN_FROM_MM


def snow(inputs: MorningInputs) -> tuple[Floats, Floats]:
    """Return snow on each strip at the start of each hour and what melts of it in the hour, (H, S) [mm] each."""
    weather = inputs.weather
    site = SiteSnow(
        hour_utc=inputs.hour_utc,
        depth_mm=on_hours(inputs, weather.snow_lying_mm),
        melt_mm=np.nan_to_num(on_hours(inputs, weather.melt_mm), nan=0.0),
        fallen_mm=on_hours(inputs, weather.snow_mm),
        temp_degc=on_hours(inputs, weather.temp_degc),
    )
    of_strips = [strip_snow(site, inputs.ground(s)) for s in range(len(inputs.strips))]
    return np.stack([depth for depth, _ in of_strips], axis=1), np.stack([melt for _, melt in of_strips], axis=1)


def standing_mm(inputs: MorningInputs, strips: Sequence[int], rain_mm: Floats, melted_mm: Floats) -> ByStrip:
    """Return the water that stands on the strips of some rows at the start of each hour, (H, N, M) [mm].

    rain_mm (H, M); melted_mm (H, S) of all strips. Water that was seen stands as deep as it was, until it has soaked
    in and dried off or was drained.
    """
    known = np.asarray(~np.isnan(rain_mm).all(axis=1))
    if known.any():  # before the first hour of the weather nothing is known to stand
        rain_mm = np.where(np.arange(len(known))[:, None] < int(np.argmax(known)), 0.0, rain_mm)
    return standing_water_mm(
        rain_mm,
        inputs.et0_mm,
        on_hours(inputs, inputs.weather.frost_depth_mm) >= FROZEN_FROM_MM,
        soil_classes=[inputs.material(inputs.strips[s]).soil_class for s in strips],
        surfaces=[inputs.surface(s).value for s in strips],
        melt_mm=melted_mm[:, list(strips)],
        seen=[replace(event, strip=k) for k, s in enumerate(strips) for event in _pond(inputs, s)],
    )


def _pond(inputs: MorningInputs, s: int) -> list[Seen]:
    """Return what was seen of water on row s of the strips, as events on the table's hours."""
    ground = inputs.ground(s)
    if ground.pond_utc is None:
        return []
    last = len(inputs.hour_utc) - 1
    row = min(max(row_of(ground.pond_utc, inputs.hour_utc), 0), last)
    stood = Seen(hour=row, strip=s, depth_mm=ground.pond_mm)
    if ground.drained_utc is None:
        return [stood]
    drained = row_of(ground.drained_utc, inputs.hour_utc)
    return [] if drained <= row else [stood, Seen(hour=min(drained, last), strip=s, depth_mm=0.0)]


def pond_end_row(inputs: MorningInputs, standing: ByStrip, s: int) -> int | None:
    """Return the row from which the water that was seen on row s no longer stands, None where it stands throughout.

    standing  (H, S) as of Conditions; below the site's stop it counts as gone. A draining is left out.
    """
    ground = inputs.ground(s)
    if ground.pond_utc is None:
        return None
    row = max(row_of(ground.pond_utc, inputs.hour_utc), 0)
    gone = np.flatnonzero(standing[row:, s] < inputs.setting("ponding_stop_mm"))
    return row + int(gone[0]) if len(gone) else None
