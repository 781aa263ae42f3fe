"""The water balance of a lift in two layers, one step after the other, for all strips and members at once.

Top: the upper 100 mm (less in a thin lift), which rain wets and sun dries. Base: the rest. Within a step: a change of
surface, then water in, then drainage, then levelling between the layers, then evaporation. Every flux is a smooth,
rising function of what it draws on, so more rain never ends drier and more demand never ends wetter.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from gonogo.errors import SoilError
from gonogo.soil.rain import SURFACES

Floats = npt.NDArray[np.float64]

BLOCK_CELLS = 16_384  # strips times members stepped together, so that the working arrays stay in the processor's cache
STILL_DRAINING_MM = 1e-9  # excess over field capacity below which nothing is drained

_INTAKE = np.array([s.intake_factor for s in SURFACES.values()])
_EVAPORATION = np.array([s.evaporation_factor for s in SURFACES.values()])
_MIXES_WATER = np.array([s.mixes_water for s in SURFACES.values()])
_MIXES_ON_CHANGE = np.array([s.mixes_on_change for s in SURFACES.values()])


@dataclass(frozen=True, slots=True, kw_only=True)
class SoilParams:
    """What the balance must know of the soil; every array broadcasts to (S, M).

    top_thickness_mm, base_thickness_mm  of the two layers, above 0
    theta_fc, theta_sat      field capacity and saturation [m3/m3], theta_fc below theta_sat
    tew_mm, rew_mm           totally and readily evaporable water of the top [mm], rew_mm below tew_mm
    evaporation_factor       the strip's own evaporation against the bare-soil limit [-]
    drainage_frac_h          share of the excess over field capacity that leaves the top in an hour [1/h], 0 to 1
    base_drainage_frac_h     the same from the base into what lies below [1/h]
    resupply_frac_h          share of the difference between the layers that evens out in an hour [1/h], 0 to 1
    intake_mm_h              mean capacity of the loose surface to take in water [mm/h], above 0
    """

    top_thickness_mm: Floats
    base_thickness_mm: Floats
    theta_fc: Floats
    theta_sat: Floats
    tew_mm: Floats
    rew_mm: Floats
    evaporation_factor: Floats
    drainage_frac_h: Floats
    base_drainage_frac_h: Floats
    resupply_frac_h: Floats
    intake_mm_h: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class SoilState:
    """Water held by the two layers [mm], each (S, M)."""

    top_mm: Floats
    base_mm: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class MoisturePath:
    """What the march gives back.

    top_mm, base_mm      (H + 1, S, M) at the start of each step, last row the end; (2, S, M) if no path is kept
    infiltration_mm, runoff_mm, evaporation_mm, drainage_mm   sums (S, M), with kept fluxes (H, S, M)
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
    _require(p.base_thickness_mm > 0.0, "a base layer without thickness.", "Give every layer more than 0 mm.")
    _require((p.theta_fc > 0.0) & (p.theta_fc < p.theta_sat), "field capacity not below saturation.", "Lower theta_fc.")
    _require((p.rew_mm > 0.0) & (p.rew_mm < p.tew_mm), "rew_mm not between 0 and tew_mm.", "For example 9 and 20.")
    _require(p.evaporation_factor > 0.0, "evaporation_factor not above 0.", "1 is bare soil.")
    for name in ("drainage_frac_h", "base_drainage_frac_h", "resupply_frac_h"):
        share = getattr(p, name)
        _require((share >= 0.0) & (share <= 1.0), f"{name} outside 0 to 1.", "It is a share for each hour.")
    _require(p.intake_mm_h > 0.0, "intake_mm_h not above 0.", "For example 10.")
    _require(np.isfinite(et0), "a gap in et0_mm or kc_max.", "Fill or reject the weather first.")
    _require(rain >= 0.0, "rain_mm with a gap or below 0.", "Fill or reject the weather first.")
    _require(watering >= 0.0, "watering_mm with a gap or below 0.", "Water put on is 0 or more.")
    _require((surface >= 0) & (surface < len(SURFACES)), "surface outside the table.", "See soil/rain.py.")


class _Block:
    """Working arrays of one block of strips. Private: it exists so that the step below allocates nothing."""

    def __init__(self, p: SoilParams, top: Floats, base: Floats, step_h: float) -> None:
        shape = top.shape

        def full(a: Floats) -> Floats:
            return np.broadcast_to(a, shape).astype(np.float64)

        def share(frac_h: Floats) -> Floats:
            return full(1.0 - (1.0 - frac_h) ** step_h)

        self.top, self.base = top.copy(), base.copy()
        self.fc_top, self.fc_base = full(p.theta_fc * p.top_thickness_mm), full(p.theta_fc * p.base_thickness_mm)
        self.sat_top, self.sat_base = full(p.theta_sat * p.top_thickness_mm), full(p.theta_sat * p.base_thickness_mm)
        self.dry_top = self.fc_top - p.tew_mm
        self.range_mm, self.factor = full(p.tew_mm - p.rew_mm), full(p.evaporation_factor)
        self.drain, self.drain_base = share(p.drainage_frac_h), share(p.base_drainage_frac_h)
        self.ratio = full(p.base_thickness_mm / p.top_thickness_mm)
        self.level = share(p.resupply_frac_h) / (1.0 + self.ratio)
        self.top_share = 1.0 / (1.0 + self.ratio)
        self.intake_loose = full(p.intake_mm_h * step_h)
        self.x, self.y = np.empty(shape), np.empty(shape)
        self.infiltrated, self.ran_off = np.zeros(shape), np.zeros(shape)
        self.evaporated, self.drained = np.zeros(shape), np.zeros(shape)
        self.evaporation = self.stretch = self.intake = self.x
        self.mixes = np.ones((shape[0], 1), dtype=np.bool_)
        self.may_drain = True

    def set_surface(self, state: npt.NDArray[np.int64], before: npt.NDArray[np.int64] | None) -> None:
        """Take the surface states (S,) of the step; turning a lift over evens out its layers."""
        if before is not None:
            turned = (state != before) & _MIXES_ON_CHANGE[state]
            if turned.any():
                total = self.top[turned] + self.base[turned]
                self.top[turned] = total * self.top_share[turned]
                self.base[turned] = total - self.top[turned]
                self.may_drain = True
        self.evaporation = self.factor * _EVAPORATION[state][:, None]
        self.stretch = self.range_mm / self.evaporation
        self.intake = self.intake_loose * _INTAKE[state][:, None]
        self.mixes = _MIXES_WATER[state][:, None]

    def wet(self, rain_mm: Floats, watering_mm: Floats) -> None:
        """Let rain (M,) and truck water (S,) in as far as surface and pores allow; the rest runs off."""
        put_on = np.broadcast_to(watering_mm[:, None], self.top.shape)
        mixed = np.where(self.mixes, put_on, 0.0)
        supply = rain_mm + (put_on - mixed)
        soaked = -self.intake * np.expm1(-supply / self.intake)
        into_top = np.minimum(soaked + mixed * self.top_share, np.maximum(self.sat_top - self.top, 0.0))
        # What the full top cannot hold goes on to the base, with the base's own part of the mixed water.
        into_base = np.minimum(soaked + mixed - into_top, np.maximum(self.sat_base - self.base, 0.0))
        self.top += into_top
        self.base += into_base
        taken = into_top + into_base
        self.infiltrated += taken
        self.ran_off += rain_mm + put_on - taken
        self.may_drain = True

    def drain_down(self) -> None:
        """Drain what stands above field capacity, base first, so that the top finds room."""
        x, y = self.x, self.y
        np.subtract(self.base, self.fc_base, out=y)
        np.maximum(y, 0.0, out=y)
        np.subtract(self.top, self.fc_top, out=x)
        np.maximum(x, 0.0, out=x)
        if max(x.max(), y.max()) <= STILL_DRAINING_MM:
            self.may_drain = False
            return
        y *= self.drain_base
        self.base -= y
        self.drained += y
        x *= self.drain
        np.subtract(self.sat_base, self.base, out=y)
        np.maximum(y, 0.0, out=y)
        np.minimum(x, y, out=x)
        self.top -= x
        self.base += x

    def level_out(self) -> None:
        """Move water from the wetter to the drier layer: resupply from below, or soaking down after a shower."""
        x = self.x
        np.multiply(self.top, self.ratio, out=x)
        np.subtract(self.base, x, out=x)
        x *= self.level
        self.top += x
        self.base -= x

    def dry(self, demand_mm: np.float64 | Floats) -> None:
        """Take evaporation from the top: all of the demand in stage one, a falling share in stage two.

        Stage two is dE/dt proportional to what is left, so the step takes left * (1 - exp(-a)), a = demand / range;
        a / (1 + a / 2) stands for the bracket (0.1 % off at a = 0.1), held below 1.
        """
        x, y = self.x, self.y
        np.subtract(self.top, self.dry_top, out=x)
        np.maximum(x, 0.0, out=x)
        np.divide(self.stretch, demand_mm, out=y)
        y += 0.5
        np.maximum(y, 1.0, out=y)
        x /= y
        np.multiply(self.evaporation, demand_mm, out=y)
        np.minimum(x, y, out=x)
        np.minimum(x, self.top, out=x)
        self.top -= x
        self.evaporated += x


def march(
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
    step_h: float = 1.0,
    keep_path: bool = True,
    keep_fluxes: bool = False,
) -> MoisturePath:
    """Return the water of both layers over H steps for S strips and M members.

    start        water at the start of the first step [mm], (S, M)
    et0_mm       reference evapotranspiration of the step [mm], (H,) or (H, M); below 0 counts as 0
    rain_mm      liquid water reaching the ground in the step [mm], (H, M)
    watering_mm  water put on by the truck in the step [mm], (H, S)
    surface      index into rain.SURFACES, (H, S); a change takes place at the start of its step
    surface_before   the same before the first step (S,), or None: as in the first step
    frozen       (H,) nothing moves in such a step, and what falls runs off
    kc_max       upper limit of bare-soil evaporation over et0_mm [-], (H,)
    step_h       length of a step [h]; depths are given for the step, shares and intake in params for an hour

    Raises SoilError for gaps, negative depths, or parameters that physics does not allow.
    Source: FAO-56, ch. 7 for evaporation; drainage as exponential decay to field capacity.
    Checked in tests/soil/test_balance.py and tests/properties/test_balance_monotony.py.
    """
    n_steps, (n_strips, n_members) = len(frozen), start.top_mm.shape
    _require(rain_mm.shape == (n_steps, n_members), f"rain_mm of shape {rain_mm.shape}.", "It must be (H, M).")
    _require(
        watering_mm.shape == (n_steps, n_strips), f"watering_mm of shape {watering_mm.shape}.", "It must be (H, S)."
    )
    _require(surface.shape == (n_steps, n_strips), f"surface of shape {surface.shape}.", "It must be (H, S).")
    demand = np.maximum(et0_mm, 0.0) * (kc_max if et0_mm.ndim == 1 else kc_max[:, None])
    _require_sound(params, demand, rain_mm, watering_mm, surface)
    is_dry = np.asarray(frozen) | ~(demand > 0.0).reshape(n_steps, -1).any(axis=1)
    rains: npt.NDArray[np.bool_] = np.any(rain_mm > 0.0, axis=1)

    n_rows = n_steps + 1 if keep_path else 2
    top_path, base_path = np.empty((n_rows, n_strips, n_members)), np.empty((n_rows, n_strips, n_members))
    top_path[0], base_path[0] = start.top_mm, start.base_mm
    flux_shape = (n_steps, n_strips, n_members) if keep_fluxes else (n_strips, n_members)
    fluxes = {name: np.zeros(flux_shape) for name in ("infiltrated", "ran_off", "evaporated", "drained")}
    rows = max(1, BLOCK_CELLS // n_members)
    for first in range(0, n_strips, rows):
        part = slice(first, min(first + rows, n_strips))
        block = _Block(_strips(params, part, n_strips), top_path[0, part], base_path[0, part], step_h)
        waters: npt.NDArray[np.bool_] = np.any(watering_mm[:, part] > 0.0, axis=1)
        changes = np.ones(n_steps, dtype=np.bool_)
        changes[1:] = np.any(surface[1:, part] != surface[:-1, part], axis=1)
        for h in range(n_steps):
            if changes[h]:
                before = surface[h - 1] if h else surface_before
                block.set_surface(surface[h, part], None if before is None else before[part])
            if frozen[h]:
                if rains[h] or waters[h]:
                    block.ran_off += rain_mm[h] + watering_mm[h, part][:, None]
            else:
                if rains[h] or waters[h]:
                    block.wet(rain_mm[h], watering_mm[h, part])
                if block.may_drain:
                    block.drain_down()
                block.level_out()
                if not is_dry[h]:
                    with np.errstate(divide="ignore"):  # a member without demand waits for ever
                        block.dry(demand[h])
            if keep_path:
                top_path[h + 1, part], base_path[h + 1, part] = block.top, block.base
            if keep_fluxes:
                for name, kept in fluxes.items():
                    running = getattr(block, name)
                    kept[h, part] = running
                    running.fill(0.0)
        top_path[-1, part], base_path[-1, part] = block.top, block.base
        if not keep_fluxes:
            for name, kept in fluxes.items():
                kept[part] = getattr(block, name)
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
        gap = np.diff(held, axis=0) + left - rain_mm[:, None, :] - watering_mm[:, :, None]
    else:
        if left.ndim == 3:
            left = left.sum(axis=0)
        gap = held[-1] - held[0] + left - rain_mm.sum(axis=0) - watering_mm.sum(axis=0)[:, None]
    worst = float(np.abs(gap).max()) if gap.size else 0.0
    return MoisturePath(
        **{f.name: getattr(path, f.name) for f in fields(path) if f.name != "closure_error_mm"}, closure_error_mm=worst
    )
