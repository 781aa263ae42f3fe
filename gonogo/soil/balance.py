"""The water balance of a lift in two layers, one step after the other, for all strips and members at once.

Top: the upper 100 mm (less in a thin lift), which rain wets and sun dries. Base: the rest. Within a step: a change of
surface, then water in, then drainage, then levelling between the layers, then evaporation. Every flux is a smooth,
rising function of what it draws on, so more rain never ends drier and more demand never ends wetter.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gonogo.errors import SoilError
from gonogo.soil.block import Block, Step
from gonogo.soil.layers import SoilParams, SoilState
from gonogo.soil.rain import SURFACES
from gonogo.soil.sky import Sky

Floats = npt.NDArray[np.float64]

BLOCK_CELLS = 32_768  # strips times members stepped together, so that the working arrays stay in the processor's cache
THREADS_MAX = 4  # blocks at a time: more would only wait for memory
EXPECTED_CELLS = 8_192  # strips times members times steps for which what does not hang on the soil is computed at once
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
    sky: Sky,
    *,
    step: Step = HOURLY,
    keep_path: bool = True,
    keep_fluxes: bool = False,
    n_threads: int | None = None,
) -> MoisturePath:
    """Return the water of both layers over H steps for S strips and M members.

    start       water at the start of the first step [mm], (S, M)
    step        how time is cut: hours, unless told otherwise; the sky's rows are its steps
    n_threads   blocks of strips at a time, None for as many as the machine has processors; changes no digit

    Raises SoilError for gaps, negative depths, or parameters that physics does not allow.
    Source: FAO-56, ch. 7 for evaporation; drainage to field capacity as exponential decay (drainage_frac_h) and as
    gravity drainage, quadratic in the excess (drainage_rise_h).
    Checked in tests/soil/test_balance.py and tests/properties/test_balance_monotony.py.
    """
    n_rows = len(sky.frozen) + 1 if keep_path else 2
    top_mm, base_mm = np.empty((n_rows, *start.top_mm.shape)), np.empty((n_rows, *start.top_mm.shape))
    top_mm[0], base_mm[0] = start.top_mm, start.base_mm
    rows = SoilState(top_mm=top_mm[1:], base_mm=base_mm[1:])
    kept = _Kept.of(start, rows, len(sky.frozen), keep_path, keep_fluxes)
    _run(params, sky, step, kept, n_threads)
    return MoisturePath(
        top_mm=top_mm,
        base_mm=base_mm,
        infiltration_mm=kept.fluxes["infiltrated"],
        runoff_mm=kept.fluxes["ran_off"],
        evaporation_mm=kept.fluxes["evaporated"],
        drainage_mm=kept.fluxes["drained"],
        closure_error_mm=_closure_error_mm(kept, sky),
    )


def simulate_into(rows: SoilState, start: SoilState, params: SoilParams, sky: Sky) -> float:
    """Write the water of both layers at the end of each hour into rows (H, S, M), and return the closure error [mm].

    The same as simulate, for a caller who has a place for the path. Arguments and faults as there.
    """
    kept = _Kept.of(start, rows, len(sky.frozen), keeps_path=True, keeps_fluxes=False)
    _run(params, sky, HOURLY, kept, None)
    return _closure_error_mm(kept, sky)


def _run(params: SoilParams, sky: Sky, step: Step, kept: _Kept, n_threads: int | None) -> None:
    """Check what was given and take all strips through all steps, as many blocks at a time as there are threads."""
    n_strips, n_members = kept.start.top_mm.shape
    _require(step.n_parts >= 1, f"n_parts = {step.n_parts}.", "Take a step in one part at least.")
    _require_shapes(sky, n_strips, n_members)
    demand = np.maximum(sky.et0_mm, 0.0) * sky.kc_max.reshape(-1, *(1,) * (sky.et0_mm.ndim - 1))
    _require_sound(params, demand, sky.rain_mm, sky.watering_mm, sky.surface)
    run = _Run(params, sky, demand, step, kept)
    rows = max(1, BLOCK_CELLS // n_members)
    parts = [slice(first, min(first + rows, n_strips)) for first in range(0, n_strips, rows)]
    threads = min(len(parts), n_threads or min(os.cpu_count() or 1, THREADS_MAX))
    if threads > 1:
        with ThreadPoolExecutor(threads) as pool:
            list(pool.map(run.part, parts))  # the list raises what a part raised
    else:
        for part in parts:
            run.part(part)


def _require_shapes(sky: Sky, n_strips: int, n_members: int) -> None:
    """Raise SoilError for arrays of weather that do not belong to the strips and members."""
    n_steps, of_rain = len(sky.frozen), sky.rain_mm.shape
    is_right = of_rain in ((n_steps, n_members), (n_steps, n_strips, n_members))
    _require(is_right, f"rain_mm of shape {of_rain}.", "It must be (H, M) or (H, S, M).")
    for name in ("watering_mm", "surface", "turned", "moist"):
        series = getattr(sky, name)
        if series is not None:
            _require(series.shape == (n_steps, n_strips), f"{name} of shape {series.shape}.", "It must be (H, S).")


@dataclass(frozen=True, slots=True)
class _Kept:
    """What a run starts from and writes into: water at each step's end or the last one's; fluxes by a block's names."""

    start: SoilState
    rows: SoilState
    fluxes: dict[str, Floats]
    keeps_path: bool
    keeps_fluxes: bool

    @classmethod
    def of(cls, start: SoilState, rows: SoilState, n_steps: int, keeps_path: bool, keeps_fluxes: bool) -> _Kept:
        shape = start.top_mm.shape
        of_flux = (n_steps, *shape) if keeps_fluxes else shape
        fluxes = {name: np.zeros(of_flux) for name in ("infiltrated", "ran_off", "evaporated", "drained")}
        return cls(start, rows, fluxes, keeps_path, keeps_fluxes)

    def step(self, block: Block, part: slice, h: int) -> None:
        """Take down what flowed in a step."""
        for name, kept in self.fluxes.items():
            running = getattr(block, name)
            kept[h, part] = running
            running.fill(0.0)

    def end(self, block: Block, part: slice) -> None:
        """Take down how a block stands at the end."""
        if len(self.rows.top_mm):
            self.rows.top_mm[-1, part], self.rows.base_mm[-1, part] = block.top, block.base
        if not self.keeps_fluxes:
            for name, kept in self.fluxes.items():
                kept[part] = getattr(block, name)


@dataclass(frozen=True, slots=True)
class _Run:
    """One run of all strips, in parts that may run side by side. demand_mm: what the air asks of bare soil."""

    params: SoilParams
    sky: Sky
    demand_mm: Floats
    how: Step
    kept: _Kept

    def part(self, part: slice) -> None:
        """Take some strips through all steps."""
        sky, start = self.sky, self.kept.start
        params = self.params.of_strips(part, len(start.top_mm))
        block = Block(params, start.top_mm[part], start.base_mm[part], self.how)
        n_steps, n = len(sky.frozen), self.how.n_parts
        dries, waters = _steps_with(self.demand_mm).tolist(), _steps_with(sky.watering_mm[:, part]).tolist()
        wets = [rains or puts for rains, puts in zip(_steps_with(_of(sky.rain_mm, part)).tolist(), waters, strict=True)]
        changes = np.ones(n_steps, dtype=np.bool_)
        changes[1:] = np.any(sky.surface[1:, part] != sky.surface[:-1, part], axis=1)
        turned = None if sky.turned is None else sky.turned[:, part]
        moist = None if sky.moist is None else sky.moist[:, part]
        turns = np.zeros(n_steps, dtype=np.bool_) if turned is None else np.asarray(np.any(turned, axis=1))
        if moist is not None:
            changes[1:] |= np.any(moist[1:] != moist[:-1], axis=1)
        whole = _of(sky.rain_mm, part), sky.watering_mm[:, part], _of(self.demand_mm, part)
        rain, watering, demand = whole if n == 1 else (depth_mm / n for depth_mm in whole)
        expected, spans = (_by_strip(demand), _by_strip(rain)), _spans(changes, block.top.size)
        begin = end = 0
        top_mm, base_mm = self.kept.rows.top_mm[:, part], self.kept.rows.base_mm[:, part]
        # What an hour does not need is not even looked up: most of the time goes into small calls, not into sums.
        for h, (is_frozen, turns_over, is_other) in enumerate(
            zip(sky.frozen.tolist(), turns.tolist(), changes.tolist(), strict=True)
        ):
            if turned is not None and turns_over:
                block.turn_over(turned[h])
            if is_other:
                block.set_surface(sky.surface[h, part], None if moist is None else moist[h])
                end = h
            if is_frozen:
                if wets[h]:
                    block.refuse(whole[0][h], whole[1][h])
            else:
                if h >= end and (wets[h] or dries[h]):
                    begin, end = h, spans[h]
                    block.expect(*(of[begin:end] for of in expected), is_wet=any(wets[begin:end]))
                for _ in range(n):
                    block.step(h - begin, wets[h], watering[h] if waters[h] else None, dries[h])
            if self.kept.keeps_path:
                top_mm[h], base_mm[h] = block.top, block.base
            if self.kept.keeps_fluxes:
                self.kept.step(block, part, h)
        self.kept.end(block, part)


def _steps_with(series: Floats) -> npt.NDArray[np.bool_]:
    """Return the steps (H,) in which a series (H, ...) is anywhere other than 0."""
    return np.asarray(np.any(series.reshape(len(series), -1), axis=1), dtype=np.bool_)


def _of(series: Floats, part: slice) -> Floats:
    """Return what of a series (H, ...) falls on some strips."""
    return series[:, part] if series.ndim == 3 else series


def _by_strip(series: Floats) -> Floats:
    """Return a series (H,), (H, M) or (H, K, M) with an axis of strips and one of members, of 1 where it has none."""
    return series if series.ndim == 3 else series.reshape(len(series), 1, series.shape[1] if series.ndim == 2 else 1)


def _spans(changes: npt.NDArray[np.bool_], n_cells: int) -> list[int]:
    """Return until which step what is expected of each can be computed with it (H,): to the next change, or sooner."""
    n_steps = len(changes)
    begins = np.append(np.flatnonzero(changes), n_steps)
    at = np.arange(n_steps)
    next_change = begins[np.searchsorted(begins, at, side="right")]
    result: list[int] = np.minimum(next_change, at + max(1, EXPECTED_CELLS // n_cells)).tolist()
    return result


def _closure_error_mm(kept: _Kept, sky: Sky) -> float:
    """Return the largest gap of supply = change of storage + everything that left."""
    left = kept.fluxes["ran_off"] + kept.fluxes["evaporated"] + kept.fluxes["drained"]
    start, rows = kept.start.top_mm + kept.start.base_mm, kept.rows
    if kept.keeps_path and kept.keeps_fluxes:
        supply = sky.rain_mm if sky.rain_mm.ndim == 3 else sky.rain_mm[:, None, :]
        held = np.concatenate([start[None], rows.top_mm + rows.base_mm])
        gap = np.diff(held, axis=0) + left - supply - sky.watering_mm[:, :, None]
    else:
        if left.ndim == 3:
            left = left.sum(axis=0)
        end = rows.top_mm[-1] + rows.base_mm[-1] if len(rows.top_mm) else start
        gap = end - start + left - sky.rain_mm.sum(axis=0) - sky.watering_mm.sum(axis=0)[:, None]
    return float(np.abs(gap).max()) if gap.size else 0.0
