"""Hour by hour, whether a roller could work: frost, snow, storm, rain, standing water, and the lift itself.

Conditions are 1 (holds), 0 (does not) or NaN (unknown); NaN runs through to every chance that it touches. Where all of
a condition is known it is kept as true and false, which takes an eighth of the memory and comes to the same chances.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from gonogo.decide.inputs import Floats, MorningInputs, moved_as_tested, on_hours
from gonogo.decide.lasting import Flags, Lasting, lasting
from gonogo.decide.lying import snow, standing_mm
from gonogo.soil.by_strip import ByStrip, strip_by_strip
from gonogo.units import WIND_2M_OF_10M
from gonogo.weather.frost import FROZEN_FROM_MM
from gonogo.weather.table import FREEZING_CODES, THUNDER_CODES

_Given = TypeVar("_Given")
_Made = TypeVar("_Made")

FROST_MEMORY_H = 24  # ground stays frozen for a while after a frosty day: common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """Hour by hour, whether a roller could work. What has members (M) is by strip: each has its own, rain too.

    first_h        epoch hour of row 0
    site_rain_mm   (H, M) rain of the member in the hour, of the members of the site's weather: what is told of the site
    rain_mm        (H, S, M) rain of the strip's member in the hour
    is_rainless    (H, S, M) that rain below the site's stop
    is_unfrozen    (H, S) neither frozen nor freezing, and no snow lies on the strip
    is_bare        (H, S) no snow lies on the strip
    snow_mm        (H, S) depth of the snow on the strip, at the start of the hour
    melt_mm        (H, S) water that snow on the strip gives off in the hour
    is_calm        (H,) no thunderstorm, none in the half hour before, and wind below the site's stop
    standing_mm    (H, S) mean of the members' water that stands on the strip, at the start of the hour
    is_drained     (H, S, M) no water stands on the strip, at the start of the hour
    is_too_wet, is_too_dry, is_split   (H, S, M) at the start of the hour
    is_crusted     (H, S, M) the mean inside its window and the top drier than it, at the start of the hour
    unfrozen, calm     how long is_unfrozen and is_calm go on to hold
    rainless           (S,) how long is_rainless of each strip goes on to hold
    inside             (S,) how long the strip's members stay right: mean of the lift inside its window, not split,
                       drained, at the start of the hour; where the newest test lies outside the window, also if that
                       test was right and the members were not
    """

    first_h: int
    site_rain_mm: Floats
    rain_mm: ByStrip
    is_rainless: ByStrip
    is_unfrozen: Flags
    is_bare: Flags
    snow_mm: Floats
    melt_mm: Floats
    is_calm: Flags
    standing_mm: ByStrip
    is_drained: ByStrip
    is_too_wet: ByStrip
    is_too_dry: ByStrip
    is_split: ByStrip
    is_crusted: ByStrip
    rainless: tuple[Lasting, ...]
    unfrozen: Lasting
    calm: Lasting
    inside: tuple[Lasting, ...]


def flagged(condition: npt.NDArray[np.bool_], *values: Floats | float) -> Flags:
    """Return a condition, as 1 and 0 with NaN wherever one of the values it was made from is NaN."""
    out: Flags = condition
    for value in values:
        unknown = np.isnan(value)
        if np.any(unknown):
            out = np.where(unknown, np.nan, out)
    return out


def conditions(
    inputs: MorningInputs, before: Conditions | None = None, kept: Collection[int] = frozenset()
) -> Conditions:
    """Return hour by hour whether each strip could be rolled.

    before   conditions of the same strips and hours, of which those of some rows are kept as they are
    """
    weather = inputs.weather
    temp, surface = on_hours(inputs, weather.temp_degc), on_hours(inputs, weather.surface_temp_degc)
    columns = (weather.wind_2m_m_s, weather.weather_code, weather.snow_mm)
    wind, code, falling = (on_hours(inputs, column) for column in columns)
    freeze, wind_stop, snow_stop = (
        inputs.setting(name) for name in ("freeze_temp_degc", "wind_stop_m_s", "light_rain_mm_h")
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
    new = _of_members(inputs, [s for s in range(len(inputs.strips)) if s not in kept], melted_mm)
    is_inside = new.pop("is_inside")
    by_strip = {
        name: ByStrip(
            [new[name][s] if s in new[name] else getattr(before, name).strips[s] for s in range(len(inputs.strips))]
        )
        for name in new
    }
    is_unfrozen = flagged(unfrozen, temp, falling, frost, freeze, snow_stop)[:, None] * is_bare
    is_calm = flagged(calm, wind, wind_stop)
    return Conditions(
        first_h=int(inputs.hour_utc[0].astype("datetime64[h]").astype(np.int64)),
        site_rain_mm=on_hours(inputs, weather.rain_members_mm),
        is_unfrozen=is_unfrozen,
        is_bare=is_bare,
        snow_mm=lying_mm,
        melt_mm=melted_mm,
        is_calm=is_calm,
        rainless=once(by_strip["is_rainless"].strips, lasting),
        unfrozen=lasting(is_unfrozen[:, :, None]),
        calm=lasting(is_calm[:, None]),
        inside=tuple(
            before.inside[s] if before is not None and s in kept else lasting(is_inside[s])
            for s in range(len(inputs.strips))
        ),
        **by_strip,
    )


def once(arrays: Sequence[_Given], of: Callable[[_Given], _Made]) -> tuple[_Made, ...]:
    """Return what a function makes of each, made once of those that are one and the same."""
    made: dict[int, _Made] = {}
    for given in arrays:
        if id(given) not in made:
            made[id(given)] = of(given)
    return tuple(made[id(given)] for given in arrays)


def _of_members(inputs: MorningInputs, rows: Sequence[int], melted_mm: Floats) -> dict[str, dict[int, Flags]]:
    """Return what holds on some rows, by field of Conditions and row, and "is_inside"; melted_mm (H, S)."""
    found = _rains(inputs, rows, melted_mm) | _of_lifts(inputs, rows)
    right = found.pop("right")
    found["is_inside"] = {s: found["is_drained"][s] * right[s] for s in rows}
    return found


def _rains(inputs: MorningInputs, rows: Sequence[int], melted_mm: Floats) -> dict[str, dict[int, Flags]]:
    """Return what the members' rain says.

    Strips with the same rain members are reckoned together; what is the same for them is one array.
    """
    rain_stop, ponding_stop = inputs.setting("rain_stop_mm_h"), inputs.setting("ponding_stop_mm")
    found: dict[str, dict[int, Flags]] = {name: {} for name in ("rain_mm", "is_rainless", "standing_mm", "is_drained")}
    groups: dict[int, list[int]] = {}
    for s in rows:
        groups.setdefault(id(inputs.weather_of(s)), []).append(s)
    for own in groups.values():
        weather = inputs.weather_of(own[0])
        rain, peaks = on_hours(inputs, weather.rain_members_mm), on_hours(inputs, weather.rain_peaks_mm)
        is_rainless = flagged(np.maximum(rain, peaks) < rain_stop, rain, rain_stop)
        found["rain_mm"] |= dict.fromkeys(own, rain)
        found["is_rainless"] |= dict.fromkeys(own, is_rainless)
        stands = standing_mm(inputs, own, rain, melted_mm).strips
        found["standing_mm"] |= dict(zip(own, once(stands, _mean_of_members), strict=True))
        found["is_drained"] |= dict(zip(own, once(stands, partial(_drained, rain, ponding_stop)), strict=True))
    return found


def _mean_of_members(path: Floats) -> Floats:
    return np.asarray(path.mean(axis=1))


def _drained(rain_mm: Floats, ponding_stop_mm: float, standing_mm: Floats) -> Flags:
    return flagged(standing_mm < ponding_stop_mm, rain_mm, ponding_stop_mm)


def _of_lifts(inputs: MorningInputs, rows: Sequence[int]) -> dict[str, dict[int, Flags]]:
    """Return what the lifts' own moisture says; "right": inside the window and not split.

    Strip by strip: the paths of a whole site are the largest arrays of a morning, those of one strip fit into a
    processor's cache.
    """
    paths = [strip_by_strip(path) for path in (inputs.w_pct, inputs.w_top_pct, inputs.w_base_pct)]
    found: dict[str, dict[int, Flags]] = {
        name: {} for name in ("right", "is_too_wet", "is_too_dry", "is_split", "is_crusted")
    }
    drier, wetter = moved_as_tested(inputs)
    for s in rows:
        for name, flags in _of_lift(inputs, s, [path[s] for path in paths], (drier[s], wetter[s])).items():
            found[name][s] = flags
    return found


def _of_lift(
    inputs: MorningInputs, s: int, paths: Sequence[Floats], moved_pct: tuple[float, float]
) -> dict[str, Flags]:
    """Return what is found of row s by its moisture (H, M): mean, top and base; moved_pct: as of `moved_as_tested`."""
    material = inputs.material(inputs.strips[s])
    low, high = material.window_low_pct, material.window_high_pct
    mean, top, base = (path - material.omc_pct for path in paths)
    driest, wettest = (mean + by_pct if by_pct else mean for by_pct in moved_pct)
    # Looked for once: most paths are known throughout.
    is_known = not any(np.isnan(path).any() for path in (mean, top, base))
    own: tuple[Floats, ...] = () if is_known else (mean,)
    halves: tuple[Floats, ...] = () if is_known else (mean, top, base)
    is_right = (mean >= low) & (mean <= high)
    is_top_dry = top < low
    split = (is_top_dry & (base > high)) | ((top > high) & (base < low))
    is_inside = (driest >= low) & (wettest <= high) & ~split
    return {
        # The path was computed from evapotranspiration: where that is unknown, so is the path.
        "right": flagged(is_inside, *halves, low, high, inputs.et0_mm[:, None]),
        "is_too_wet": flagged(mean > high, *own, high),
        "is_too_dry": flagged(wettest < low, *own, low),
        "is_split": flagged(split & is_right, *halves),
        "is_crusted": flagged(~split & is_right & is_top_dry, *halves, low, high),
    }
