"""Hour by hour, whether a roller could work: frost, snow, storm, rain, standing water, and the lift itself.

Conditions are 1 (holds), 0 (does not) or NaN (unknown); NaN runs through to every chance that it touches. Where all of
a condition is known it is kept as true and false, which takes an eighth of the memory and comes to the same chances.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np
import numpy.typing as npt

from gonogo.decide.inputs import Floats, MorningInputs, moved_as_tested, on_hours
from gonogo.decide.lasting import Flags, Lasting, lasting
from gonogo.decide.lying import snow, standing_mm
from gonogo.units import WIND_2M_OF_10M
from gonogo.weather.frost import FROZEN_FROM_MM
from gonogo.weather.table import FREEZING_CODES, THUNDER_CODES

FROST_MEMORY_H = 24  # ground stays frozen for a while after a frosty day: common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """Hour by hour, whether a roller could work.

    first_h        epoch hour of row 0
    rain_mm        (H, M) rain of the member in the hour
    is_rainless    (H, M) that rain below the site's stop
    is_unfrozen    (H, S) neither frozen nor freezing, and no snow lies on the strip
    is_bare        (H, S) no snow lies on the strip
    snow_mm        (H, S) depth of the snow on the strip, at the start of the hour
    melt_mm        (H, S) water that snow on the strip gives off in the hour
    is_calm        (H,) no thunderstorm, none in the half hour before, and wind below the site's stop
    standing_mm    (H, S, M) water that stands on the strip, at the start of the hour
    is_drained     (H, S, M) no water stands on the strip, at the start of the hour
    is_inside      (H, S, M) mean of the lift inside its window, not split, drained, at the start of the hour; where the
                   newest test lies outside the window, also if that test was right and the members were not
    is_too_wet, is_too_dry, is_split   (H, S, M) at the start of the hour
    is_crusted     (H, S, M) the mean inside its window and the top drier than it, at the start of the hour
    rainless, unfrozen, calm, inside   how long is_rainless, is_unfrozen, is_calm and is_inside go on to hold
    """

    first_h: int
    rain_mm: Floats
    is_rainless: Flags
    is_unfrozen: Flags
    is_bare: Flags
    snow_mm: Floats
    melt_mm: Floats
    is_calm: Flags
    standing_mm: Floats
    is_drained: Flags
    is_inside: Flags
    is_too_wet: Flags
    is_too_dry: Flags
    is_split: Flags
    is_crusted: Flags
    rainless: Lasting
    unfrozen: Lasting
    calm: Lasting
    inside: Lasting


def flagged(condition: npt.NDArray[np.bool_], *values: Floats | float) -> Flags:
    """Return a condition, as 1 and 0 with NaN wherever one of the values it was made from is NaN."""
    out: Flags = condition
    for value in values:
        unknown = np.isnan(value)
        if np.any(unknown):
            out = np.where(unknown, np.nan, out)
    return out


def conditions(inputs: MorningInputs) -> Conditions:
    """Return hour by hour whether each strip could be rolled."""
    weather = inputs.weather
    rain, peaks = on_hours(inputs, weather.rain_members_mm), on_hours(inputs, weather.rain_peaks_mm)
    temp, surface = on_hours(inputs, weather.temp_degc), on_hours(inputs, weather.surface_temp_degc)
    columns = (weather.wind_2m_m_s, weather.weather_code, weather.snow_mm)
    wind, code, falling = (on_hours(inputs, column) for column in columns)
    freeze, rain_stop, wind_stop, snow_stop = (
        inputs.setting(name) for name in ("freeze_temp_degc", "rain_stop_mm_h", "wind_stop_m_s", "light_rain_mm_h")
    )
    # The service may have no surface temperature: then the air speaks for it. Day-long frost outlasts a mild noon.
    ground = np.where(np.isnan(surface), temp, np.minimum(surface, temp))
    padded = np.concatenate([np.full(FROST_MEMORY_H - 1, np.nan), temp])
    windows = np.lib.stride_tricks.sliding_window_view(padded, FROST_MEMORY_H)
    known = np.sum(~np.isnan(windows), axis=1)
    mean_temp = np.where(known > 0, np.nansum(windows, axis=1) / np.maximum(known, 1), np.inf)
    frost = on_hours(inputs, weather.frost_depth_mm)  # of the lift that freezes deepest
    (lying_mm, melted_mm), lying_stop = snow(inputs), inputs.setting("snow_lying_stop_mm")
    is_bare = flagged(lying_mm < lying_stop, lying_mm, lying_stop)
    unfrozen = (ground > freeze) & (mean_temp > freeze) & (falling < snow_stop) & (frost < FROZEN_FROM_MM)
    unfrozen &= ~np.isin(code, FREEZING_CODES)
    thunder = np.isin(code, THUNDER_CODES)
    thunder[1:] |= thunder[:-1].copy()  # half an hour after the last thunder belongs to it (OSHA 3863)
    calm = (wind / WIND_2M_OF_10M < wind_stop) & ~thunder
    ponding_stop = inputs.setting("ponding_stop_mm")
    standing = standing_mm(inputs, rain, melted_mm)
    is_drained = flagged(standing < ponding_stop, rain[:, None, :], ponding_stop)

    of_lifts = _of_lifts(inputs)
    is_rainless = flagged(np.maximum(rain, peaks) < rain_stop, rain, rain_stop)
    is_unfrozen = flagged(unfrozen, temp, falling, frost, freeze, snow_stop)[:, None] * is_bare
    is_calm = flagged(calm, wind, wind_stop)
    is_inside = is_drained * of_lifts["inside"]
    return Conditions(
        first_h=int(inputs.hour_utc[0].astype("datetime64[h]").astype(np.int64)),
        rain_mm=rain,
        is_rainless=is_rainless,
        is_unfrozen=is_unfrozen,
        is_bare=is_bare,
        snow_mm=lying_mm,
        melt_mm=melted_mm,
        standing_mm=standing,
        is_drained=is_drained,
        is_calm=is_calm,
        is_inside=is_inside,
        is_too_wet=of_lifts["too_wet"],
        is_too_dry=of_lifts["too_dry"],
        is_split=of_lifts["split"],
        is_crusted=of_lifts["crusted"],
        rainless=lasting(is_rainless),
        unfrozen=lasting(is_unfrozen[:, :, None]),
        calm=lasting(is_calm[:, None]),
        inside=lasting(is_inside),
    )


def _of_lifts(inputs: MorningInputs) -> dict[str, Flags]:
    """Return what the lifts' own moisture says, by name (H, S, M).

    Strip by strip: the paths of a whole site are the largest arrays of a morning, those of one strip fit into a
    processor's cache.
    """
    found: dict[str, list[Flags]] = {"inside": [], "too_wet": [], "too_dry": [], "split": [], "crusted": []}
    drier, wetter = moved_as_tested(inputs)
    et0_mm = inputs.et0_mm[:, None]
    for s, strip in enumerate(inputs.strips):
        material = inputs.material(strip)
        low, high = material.window_low_pct, material.window_high_pct
        mean, top, base = (
            path[:, s] - material.omc_pct for path in (inputs.w_pct, inputs.w_top_pct, inputs.w_base_pct)
        )
        driest = mean + drier[s] if drier[s] else mean
        wettest = mean + wetter[s] if wetter[s] else mean
        # Looked for once: most paths are known throughout.
        is_known = not any(np.isnan(path).any() for path in (mean, top, base))
        own: tuple[Floats, ...] = () if is_known else (mean,)
        halves: tuple[Floats, ...] = () if is_known else (mean, top, base)
        is_right = (mean >= low) & (mean <= high)
        is_top_dry = top < low
        split = (is_top_dry & (base > high)) | ((top > high) & (base < low))
        is_inside = (driest >= low) & (wettest <= high) & ~split
        # The path was computed from evapotranspiration: where that is unknown, so is the path.
        found["inside"].append(flagged(is_inside, *halves, low, high, et0_mm))
        found["too_wet"].append(flagged(mean > high, *own, high))
        found["too_dry"].append(flagged(wettest < low, *own, low))
        found["split"].append(flagged(split & is_right, *halves))
        found["crusted"].append(flagged(~split & is_right & is_top_dry, *halves, low, high))
    if not inputs.strips:
        return dict.fromkeys(found, np.zeros(inputs.w_pct.shape))
    return {name: cast("Flags", np.stack(flags, axis=1)) for name, flags in found.items()}
