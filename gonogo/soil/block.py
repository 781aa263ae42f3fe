"""One step of the water balance for a block of strips, in working arrays that are used again from step to step."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gonogo.soil.bare_soil import MID_STEP, NOTHING, evaporation_mm, reach_mm
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
    kr_at      where in a part the drying surface is looked at, see bare_soil.reach_mm
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
        self.layers_sat = np.stack([p.theta_sat * top_mm, p.theta_sat * base_mm])
        self.sat_top, self.sat_base = self.layers_sat
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
        self.excess_flat = self.excess.reshape(-1) if self.has_base else self.x.reshape(-1)
        self.infiltrated, self.ran_off = np.zeros(shape), np.zeros(shape)
        self.evaporated, self.drained = np.zeros(shape), np.zeros(shape)
        self.evaporation = self.intake = self.x
        self.asked = self.reach = self.soaks = self.falls = self.excess
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

    def expect(self, demand_mm: Floats, rain_mm: Floats, *, is_wet: bool) -> None:
        """Take what the air asks of a bare loose surface and the rain of the steps to come, up to the next surface.

        Each (N, 1 or K, 1 or M): what does not hang on the water in the soil is computed for all of them at once.
        is_wet   as of `step` in any of them
        """
        self.asked = self.evaporation * demand_mm
        self.reach = np.asarray(reach_mm(self.range_mm, self.asked, kr_at=self.kr_at))
        if is_wet:
            self.falls = np.broadcast_to(rain_mm, self.asked.shape).copy()
            self.soaks = self.falls if self.takes_all else np.asarray(taken_in_mm(self.falls, self.intake))

    def step(self, n: int, is_wet: bool, watering_mm: Floats | None, dries: bool) -> None:
        """Take one part of a step: water in, drainage, levelling, evaporation.

        n             which of the steps that `expect` was told of
        is_wet        rain falls or water is put on anywhere; watering_mm None: no truck
        dries         the air asks for water anywhere
        """
        if is_wet:
            self.wet(n, watering_mm)
        if self.may_drain:
            self.drain_down()
        self.level_out()
        if self.is_fed:
            self.exchange_below()
        if dries:
            self.dry(n)

    def refuse(self, rain_mm: Floats, watering_mm: Floats) -> None:
        """Let rain and truck water (K,) run off frozen ground."""
        self.ran_off += rain_mm + watering_mm[:, None]

    def wet(self, n: int, watering_mm: Floats | None) -> None:
        """Let rain and truck water (K,) in as far as surface and pores allow; the rest runs off."""
        # What the lift takes counts for the whole column, as contents are means over it; the surplus is booked as
        # drained below 0, so that the balance of water closes.
        given, soaked = self.falls[n], self.soaks[n]
        for_top = for_both = soaked
        if watering_mm is not None:
            put_on = watering_mm[:, None] * self.truck_gain
            self.drained -= put_on - watering_mm[:, None]
            mixed = np.where(self.mixes, put_on, 0.0)
            supply, given = given + (put_on - mixed), given + put_on
            soaked = supply if self.takes_all else np.asarray(taken_in_mm(supply, self.intake))
            for_top, for_both = soaked + mixed * self.top_share, soaked + mixed
        into_top, into_base, taken = self.x, self.y, self.z
        if self.has_base:
            room = np.subtract(self.layers_sat, self.layers, out=self.excess)
            np.maximum(room, NOTHING, out=room)
            np.minimum(for_top, into_top, out=into_top)
            # What the full top cannot hold goes on to the base, with the base's own part of the mixed water.
            np.subtract(for_both, into_top, out=taken)
            np.minimum(taken, into_base, out=into_base)
            self.layers += self.excess
            np.add(into_top, into_base, out=taken)
        else:
            np.subtract(self.sat_top, self.top, out=taken)
            np.maximum(taken, NOTHING, out=taken)
            np.minimum(for_top, taken, out=taken)
            self.top += taken
        self.infiltrated += taken
        self.ran_off += np.subtract(given, taken, out=into_top)
        self.may_drain = True

    def drain_down(self) -> None:
        """Drain what stands above field capacity, base first, so that the top finds room."""
        x, y = self.x, self.y
        if self.has_base:
            excess = np.subtract(self.layers, self.layers_fc, out=self.excess)
        else:
            excess = np.subtract(self.top, self.fc_top, out=x)
        flat = self.excess_flat
        if flat[flat.argmax()] <= STILL_DRAINING_MM:  # the place of the greatest is found sooner than the greatest
            self.may_drain = False
            return
        np.maximum(excess, NOTHING, out=excess)
        self.leaving.take(excess)
        if not self.has_base:
            self.top -= x
            self.drained += x
            return
        self.base -= y
        self.drained += y
        np.subtract(self.sat_base, self.base, out=y)
        np.maximum(y, NOTHING, out=y)
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

    def dry(self, n: int) -> None:
        """Take evaporation from the top, as asked for a step."""
        x, z = self.x, self.z
        np.subtract(self.top, self.dry_top, out=x)
        evaporation_mm(x, self.reach[n], self.asked[n], out=z)
        if self.may_empty:
            np.minimum(z, self.top, out=z)
        self.top -= z
        self.evaporated += z
