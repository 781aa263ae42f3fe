"""One step of the water balance for a block of strips, in working arrays that are used again from step to step."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gonogo.soil.bare_soil import MID_STEP, evaporation_mm
from gonogo.soil.drainage import Leaving, share_in_step
from gonogo.soil.layers import SoilParams
from gonogo.soil.rain import SURFACES, taken_in_mm

Floats = npt.NDArray[np.float64]

STILL_DRAINING_MM = 1e-9  # excess over field capacity below which nothing is drained

_INTAKE = np.array([s.intake_factor for s in SURFACES.values()])
_EVAPORATION = np.array([s.evaporation_factor for s in SURFACES.values()])
_MIXES_WATER = np.array([s.mixes_water for s in SURFACES.values()])
_TURNED_MORE = np.array([s.turned_factor for s in SURFACES.values()]) - _EVAPORATION


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """How time is cut.

    length_h   of a step [h]: depths are given for the step, shares and intake for an hour
    n_parts    parts in which a step is taken, its depths spread evenly: a day wants two, an hour one
    kr_at      where in a part the drying surface is looked at, see bare_soil.evaporation_mm
    """

    length_h: float = 1.0
    n_parts: int = 1
    kr_at: float = MID_STEP

    @property
    def part_h(self) -> float:
        """Length of a part [h]."""
        return self.length_h / self.n_parts


class Block:
    """Strips (K, M) that are stepped together. It exists so that a dry step allocates nothing."""

    def __init__(self, p: SoilParams, top: Floats, base: Floats, step: Step) -> None:
        shape, step_h = top.shape, step.part_h

        def full(a: npt.ArrayLike) -> Floats:
            return np.broadcast_to(np.asarray(a, dtype=np.float64), shape).copy()

        # Both layers in one array each: what is done to both alike is one call.
        self.layers = np.stack([top, base])
        self.top, self.base = self.layers
        top_mm, base_mm = full(p.top_thickness_mm), full(p.base_thickness_mm)
        self.has_base = bool(np.any(base_mm > 0.0))
        self.layers_fc = np.stack([p.theta_fc * top_mm, p.theta_fc * base_mm])
        self.fc_top, self.fc_base = self.layers_fc
        self.sat_top, self.sat_base = p.theta_sat * top_mm, p.theta_sat * base_mm
        self.dry_top = self.fc_top - p.tew_mm
        self.may_empty = bool(np.any(self.dry_top < 0.0))
        self.range_mm, self.factor = full(p.tew_mm - p.rew_mm), full(p.evaporation_factor)
        frac, rise = full(p.drainage_frac_h), full(p.drainage_rise_h)
        room = self.sat_top - self.fc_top
        if self.has_base:
            frac, rise = np.stack([frac, full(p.base_drainage_frac_h)]), np.stack([rise, full(p.base_drainage_rise_h)])
            room = np.stack([room, self.sat_base - self.fc_base])
        self.leaving = Leaving(frac, rise, room, step_h)
        self.ratio = base_mm / top_mm
        self.level = full(share_in_step(p.resupply_frac_h, step_h)) / (1.0 + self.ratio)
        self.top_share = 1.0 / (1.0 + self.ratio)
        self.truck_gain = full(p.truck_gain)
        self.is_fed = bool(np.any(np.asarray(p.below_frac_h) > 0.0))
        self.fed = full(share_in_step(p.below_frac_h, step_h))
        self.below_mm = p.below_theta * (base_mm if self.has_base else top_mm)
        self.intake_loose = full(p.intake_mm_h) * step_h
        self.takes_all = bool(np.all(np.isinf(self.intake_loose)))
        self.kr_at = step.kr_at
        self.excess, self.z = np.empty((2, *shape)), np.empty(shape)
        self.x, self.y = self.excess
        self.infiltrated, self.ran_off = np.zeros(shape), np.zeros(shape)
        self.evaporated, self.drained = np.zeros(shape), np.zeros(shape)
        self.evaporation = self.intake = self.x
        self.mixes = np.ones((shape[0], 1), dtype=np.bool_)
        self.may_drain = True

    def turn_over(self, turned: npt.NDArray[np.bool_]) -> None:
        """Even out the layers of the lifts (K,) that are turned over."""
        total = self.top[turned] + self.base[turned]
        self.top[turned] = total * self.top_share[turned]
        self.base[turned] = total - self.top[turned]
        self.may_drain = True

    def set_surface(self, state: npt.NDArray[np.int64], moist: Floats | None) -> None:
        """Take the surface states (K,) of the step, and what is left of the moist soil that was turned up (K,)."""
        factor = _EVAPORATION[state] if moist is None else _EVAPORATION[state] + _TURNED_MORE[state] * moist
        self.evaporation = self.factor * factor[:, None]
        self.intake = self.intake_loose if self.takes_all else self.intake_loose * _INTAKE[state][:, None]
        self.mixes = _MIXES_WATER[state][:, None]

    def step(self, rain_mm: Floats | None, watering_mm: Floats | None, demand_mm: np.float64 | Floats | None) -> None:
        """Take one part of a step: water in, drainage, levelling, evaporation. None for what is 0 everywhere.

        Truck water comes with rain, of 0 if need be.
        """
        if rain_mm is not None:
            self.wet(rain_mm, watering_mm)
        if self.may_drain:
            self.drain_down()
        self.level_out()
        if self.is_fed:
            self.exchange_below()
        if demand_mm is not None:
            self.dry(demand_mm)

    def refuse(self, rain_mm: Floats, watering_mm: Floats) -> None:
        """Let rain and truck water (K,) run off frozen ground."""
        self.ran_off += rain_mm + watering_mm[:, None]

    def wet(self, rain_mm: Floats, watering_mm: Floats | None) -> None:
        """Let rain (M,) or (K, M) and truck water (K,) in as far as surface and pores allow; the rest runs off."""
        # What the lift takes counts for the whole column, as contents are means over it; the surplus is booked as
        # drained below 0, so that the balance of water closes.
        supply = given = rain_mm
        mixed: Floats | None = None
        if watering_mm is not None:
            put_on = watering_mm[:, None] * self.truck_gain
            self.drained -= put_on - watering_mm[:, None]
            mixed = np.where(self.mixes, put_on, 0.0)
            supply, given = rain_mm + (put_on - mixed), rain_mm + put_on
        soaked = supply if self.takes_all else taken_in_mm(supply, self.intake)
        for_top = soaked if mixed is None else soaked + mixed * self.top_share
        into_top = np.minimum(for_top, np.maximum(self.sat_top - self.top, 0.0))
        self.top += into_top
        taken = into_top
        if self.has_base:
            # What the full top cannot hold goes on to the base, with the base's own part of the mixed water.
            for_base = soaked - into_top if mixed is None else soaked + mixed - into_top
            into_base = np.minimum(for_base, np.maximum(self.sat_base - self.base, 0.0))
            self.base += into_base
            taken = into_top + into_base
        self.infiltrated += taken
        self.ran_off += given - taken
        self.may_drain = True

    def drain_down(self) -> None:
        """Drain what stands above field capacity, base first, so that the top finds room."""
        x, y = self.x, self.y
        if self.has_base:
            excess = np.subtract(self.layers, self.layers_fc, out=self.excess)
        else:
            excess = np.subtract(self.top, self.fc_top, out=x)
        if np.maximum.reduce(excess, axis=None) <= STILL_DRAINING_MM:
            self.may_drain = False
            return
        np.maximum(excess, 0.0, out=excess)
        self.leaving.take(excess)
        if not self.has_base:
            self.top -= x
            self.drained += x
            return
        self.base -= y
        self.drained += y
        np.subtract(self.sat_base, self.base, out=y)
        np.maximum(y, 0.0, out=y)
        np.minimum(x, y, out=x)
        self.top -= x
        self.base += x

    def level_out(self) -> None:
        """Move water from the wetter to the drier layer: resupply from below, or soaking down after a shower."""
        if not self.has_base:
            return
        x = self.x
        np.multiply(self.top, self.ratio, out=x)
        np.subtract(self.base, x, out=x)
        x *= self.level
        self.top += x
        self.base -= x

    def exchange_below(self) -> None:
        """Even out the last layer and what lies below it, either way; what comes up counts as drained below 0."""
        layer, x = self.base if self.has_base else self.top, self.x
        np.subtract(layer, self.below_mm, out=x)
        x *= self.fed
        layer -= x
        self.drained += x
        self.may_drain = True

    def dry(self, demand_mm: np.float64 | Floats) -> None:
        """Take evaporation from the top; demand_mm is that of a bare loose surface."""
        x, y, z = self.x, self.y, self.z
        np.subtract(self.top, self.dry_top, out=x)
        np.multiply(self.evaporation, demand_mm, out=y)
        evaporation_mm(x, self.range_mm, y, kr_at=self.kr_at, out=z)
        if self.may_empty:
            np.minimum(z, self.top, out=z)
        self.top -= z
        self.evaporated += z
