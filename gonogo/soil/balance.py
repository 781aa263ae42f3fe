"""The water balance of a lift in two layers, one step after the other, for all strips and members at once.

Top: the upper 100 mm (less in a thin lift), which rain wets and sun dries. Base: the rest. Within a step: a change of
surface, then water in, then drainage, then levelling between the layers, then evaporation. Every flux is a smooth,
rising function of what it draws on, so more rain never ends drier and more demand never ends wetter.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from gonogo.errors import SoilError
from gonogo.soil.block import Block, Step
from gonogo.soil.layers import SoilParams, SoilState
from gonogo.soil.rain import SURFACES

Floats = npt.NDArray[np.float64]

BLOCK_CELLS = 32_768  # strips times members stepped together, so that the working arrays stay in the processor's cache
THREADS_MAX = 4  # blocks at a time: more would only wait for memory
HOURLY = Step()


@dataclass(frozen=True, slots=True, kw_only=True)
class MoisturePath:
    """What the simulation gives back.

    top_mm, base_mm      (H + 1, S, M) at the start of each step, last row the end; (2, S, M) if no path is kept
    infiltration_mm, runoff_mm, evaporation_mm, drainage_mm   sums (S, M), with kept fluxes (H, S, M); drainage
                         is below 0 where water came up
    closure_error_mm     largest gap of the balance of any cell: in any step with kept fluxes, else in the whole run
    """

    top_mm: Floats
    base_mm: Floats
    infiltration_mm: Floats
    runoff_mm: Floats
    evaporation_mm: Floats
    drainage_mm: Floats
    closure_error_mm: float


def _require(is_right: npt.ArrayLike, wrong: str, right: str) -> None:
    """Raise SoilError unless every element is true."""
    if not np.all(is_right):
        raise SoilError(f"moisture balance: {wrong} {right}")


def _require_sound(p: SoilParams, et0: Floats, rain: Floats, watering: Floats, surface: npt.NDArray[np.int64]) -> None:
    """Raise SoilError for parameters or weather that physics does not allow. NaN fails every comparison."""
    _require(p.top_thickness_mm > 0.0, "a top layer without thickness.", "Give every layer more than 0 mm.")
    has_base = np.any(np.asarray(p.base_thickness_mm) > 0.0)
    _require(
        np.asarray(p.base_thickness_mm) > 0.0 if has_base else np.asarray(p.base_thickness_mm) == 0.0,
        "a base layer without thickness.",
        "Give every strip a base of more than 0 mm, or none.",
    )
    _require((p.theta_fc > 0.0) & (p.theta_fc < p.theta_sat), "field capacity not below saturation.", "Lower theta_fc.")
    _require((p.rew_mm > 0.0) & (p.rew_mm < p.tew_mm), "rew_mm not between 0 and tew_mm.", "For example 9 and 20.")
    _require(p.evaporation_factor > 0.0, "evaporation_factor not above 0.", "1 is bare soil.")
    for name in ("drainage_frac_h", "base_drainage_frac_h", "resupply_frac_h", "below_frac_h"):
        share = getattr(p, name)
        _require((share >= 0.0) & (share <= 1.0), f"{name} outside 0 to 1.", "It is a share for each hour.")
    for name in ("drainage_rise_h", "base_drainage_rise_h"):
        rise = getattr(p, name)
        _require((rise >= 0.0) & np.isfinite(rise), f"{name} below 0.", "0 leaves the share of each hour alone.")
    below = np.asarray(p.below_theta)
    _require((below >= 0.0) & (below <= p.theta_sat), "below_theta outside 0 to saturation.", "For example 0.2.")
    _require(p.intake_mm_h > 0.0, "intake_mm_h not above 0.", "For example 10.")
    _require(np.isfinite(et0), "a gap in et0_mm or kc_max.", "Fill or reject the weather first.")
    _require(rain >= 0.0, "rain_mm with a gap or below 0.", "Fill or reject the weather first.")
    _require(watering >= 0.0, "watering_mm with a gap or below 0.", "Water put on is 0 or more.")
    _require((surface >= 0) & (surface < len(SURFACES)), "surface outside the table.", "See soil/rain.py.")


def simulate(
    start: SoilState,
    params: SoilParams,
    *,
    et0_mm: Floats,
    rain_mm: Floats,
    watering_mm: Floats,
    surface: npt.NDArray[np.int64],
    frozen: npt.NDArray[np.bool_],
    kc_max: Floats,
    surface_before: npt.NDArray[np.int64] | None = None,
    step: Step = HOURLY,
    keep_path: bool = True,
    keep_fluxes: bool = False,
    n_threads: int | None = None,
) -> MoisturePath:
    """Return the water of both layers over H steps for S strips and M members.

    start        water at the start of the first step [mm], (S, M)
    et0_mm       reference evapotranspiration of the step [mm], (H,), (H, M) or (H, S, M); below 0 counts as 0
    rain_mm      liquid water reaching the ground in the step [mm], (H, M) or (H, S, M)
    watering_mm  water put on by the truck in the step [mm], (H, S)
    surface      index into rain.SURFACES, (H, S); a change takes place at the start of its step
    surface_before   the same before the first step (S,), or None: as in the first step
    frozen       (H,) nothing moves in such a step, and what falls runs off
    kc_max       upper limit of bare-soil evaporation over et0_mm [-], (H,)
    step         how time is cut: hours, unless told otherwise
    n_threads    blocks of strips at a time, None for as many as the machine has processors; changes no digit

    Raises SoilError for gaps, negative depths, or parameters that physics does not allow.
    Source: FAO-56, ch. 7 for evaporation; drainage to field capacity as exponential decay (drainage_frac_h) and as
    gravity drainage, quadratic in the excess (drainage_rise_h).
    Checked in tests/soil/test_balance.py and tests/properties/test_balance_monotony.py.
    """
    n_steps, (n_strips, n_members) = len(frozen), start.top_mm.shape
    _require(
        rain_mm.shape in ((n_steps, n_members), (n_steps, n_strips, n_members)),
        f"rain_mm of shape {rain_mm.shape}.",
        "It must be (H, M) or (H, S, M).",
    )
    _require(
        watering_mm.shape == (n_steps, n_strips), f"watering_mm of shape {watering_mm.shape}.", "It must be (H, S)."
    )
    _require(surface.shape == (n_steps, n_strips), f"surface of shape {surface.shape}.", "It must be (H, S).")
    _require(step.n_parts >= 1, f"n_parts = {step.n_parts}.", "Take a step in one part at least.")
    demand = np.maximum(et0_mm, 0.0) * kc_max.reshape(-1, *(1,) * (et0_mm.ndim - 1))
    _require_sound(params, demand, rain_mm, watering_mm, surface)

    n_rows = n_steps + 1 if keep_path else 2
    top_path, base_path = np.empty((n_rows, n_strips, n_members)), np.empty((n_rows, n_strips, n_members))
    top_path[0], base_path[0] = start.top_mm, start.base_mm
    flux_shape = (n_steps, n_strips, n_members) if keep_fluxes else (n_strips, n_members)
    fluxes = {name: np.zeros(flux_shape) for name in ("infiltrated", "ran_off", "evaporated", "drained")}
    weather = _Weather(demand, rain_mm, watering_mm, surface, surface_before, np.asarray(frozen), step.n_parts)

    def march_part(part: slice) -> None:
        block = Block(_strips(params, part, n_strips), top_path[0, part], base_path[0, part], step)

        def keep(h: int) -> None:
            if keep_path:
                top_path[h + 1, part], base_path[h + 1, part] = block.top, block.base
            if keep_fluxes:
                for name, kept in fluxes.items():
                    running = getattr(block, name)
                    kept[h, part] = running
                    running.fill(0.0)

        weather.drive(block, part, keep)
        top_path[-1, part], base_path[-1, part] = block.top, block.base
        if not keep_fluxes:
            for name, kept in fluxes.items():
                kept[part] = getattr(block, name)

    rows = max(1, BLOCK_CELLS // n_members)
    parts = [slice(first, min(first + rows, n_strips)) for first in range(0, n_strips, rows)]
    threads = min(len(parts), n_threads or min(os.cpu_count() or 1, THREADS_MAX))
    if threads > 1:
        with ThreadPoolExecutor(threads) as pool:
            list(pool.map(march_part, parts))  # the list raises what a part raised
    else:
        for part in parts:
            march_part(part)
    path = MoisturePath(
        top_mm=top_path,
        base_mm=base_path,
        infiltration_mm=fluxes["infiltrated"],
        runoff_mm=fluxes["ran_off"],
        evaporation_mm=fluxes["evaporated"],
        drainage_mm=fluxes["drained"],
        closure_error_mm=0.0,
    )
    return _closed(path, rain_mm, watering_mm, keep_path and keep_fluxes)


@dataclass(frozen=True, slots=True)
class _Weather:
    """What happens to the strips step by step, as `simulate` takes it; demand in place of et0 and kc_max."""

    demand_mm: Floats
    rain_mm: Floats
    watering_mm: Floats
    surface: npt.NDArray[np.int64]
    surface_before: npt.NDArray[np.int64] | None
    frozen: npt.NDArray[np.bool_]
    n_parts: int

    def drive(self, block: Block, part: slice, keep: Callable[[int], None]) -> None:
        """Take a block of strips through all steps; `keep` is called after each."""
        n_steps, n = len(self.frozen), self.n_parts
        may_dry, waters = _steps_with(self.demand_mm), _steps_with(self.watering_mm[:, part])
        rains = _steps_with(_of(self.rain_mm, part))
        changes = np.ones(n_steps, dtype=np.bool_)
        changes[1:] = np.any(self.surface[1:, part] != self.surface[:-1, part], axis=1)
        demand, rain, watering = _of(self.demand_mm, part), _of(self.rain_mm, part), self.watering_mm[:, part]
        for h in range(n_steps):
            if changes[h]:
                before = self.surface[h - 1] if h else self.surface_before
                block.set_surface(self.surface[h, part], None if before is None else before[part])
            is_wet = bool(rains[h] or waters[h])
            if self.frozen[h]:
                if is_wet:
                    block.refuse(rain[h], watering[h])
            else:
                for _ in range(n):
                    block.step(rain[h] / n, watering[h] / n, demand[h] / n, is_wet=is_wet, may_dry=bool(may_dry[h]))
            keep(h)


def _steps_with(series: Floats) -> npt.NDArray[np.bool_]:
    """Return the steps (H,) in which a series (H, ...) is anywhere other than 0."""
    return np.asarray(np.any(series.reshape(len(series), -1), axis=1), dtype=np.bool_)


def _of(series: Floats, part: slice) -> Floats:
    """Return what of a series (H, ...) falls on some strips."""
    return series[:, part] if series.ndim == 3 else series


def _strips(params: SoilParams, part: slice, n_strips: int) -> SoilParams:
    """Return the parameters of some strips; arrays without a strip axis pass through."""
    cut = {}
    for field in fields(params):
        array = np.asarray(getattr(params, field.name), dtype=np.float64)
        cut[field.name] = array[part] if array.ndim == 2 and array.shape[0] == n_strips else array
    return SoilParams(**cut)


def _closed(path: MoisturePath, rain_mm: Floats, watering_mm: Floats, is_stepwise: bool) -> MoisturePath:
    """Return the path with its closure error: supply = change of storage + everything that left."""
    left = path.runoff_mm + path.evaporation_mm + path.drainage_mm
    held = path.top_mm + path.base_mm
    if is_stepwise:
        supply = rain_mm if rain_mm.ndim == 3 else rain_mm[:, None, :]
        gap = np.diff(held, axis=0) + left - supply - watering_mm[:, :, None]
    else:
        if left.ndim == 3:
            left = left.sum(axis=0)
        gap = held[-1] - held[0] + left - rain_mm.sum(axis=0) - watering_mm.sum(axis=0)[:, None]
    worst = float(np.abs(gap).max()) if gap.size else 0.0
    return MoisturePath(
        **{f.name: getattr(path, f.name) for f in fields(path) if f.name != "closure_error_mm"}, closure_error_mm=worst
    )
