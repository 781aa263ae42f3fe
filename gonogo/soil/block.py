"""One step of the water balance for a block of strips, in working arrays that are used again from step to step."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from gonogo.soil.rain import SURFACES

if TYPE_CHECKING:
    from gonogo.soil.balance import SoilParams

Floats = npt.NDArray[np.float64]

STILL_DRAINING_MM = 1e-9  # excess over field capacity below which nothing is drained

_INTAKE = np.array([s.intake_factor for s in SURFACES.values()])
_EVAPORATION = np.array([s.evaporation_factor for s in SURFACES.values()])
_MIXES_WATER = np.array([s.mixes_water for s in SURFACES.values()])
_MIXES_ON_CHANGE = np.array([s.mixes_on_change for s in SURFACES.values()])


class Leaving:
    """How the excess over field capacity leaves a layer in a step: dx/dt = -(a + b x / room) x, solved exactly.

    a  from the share that leaves in an hour whatever the excess; b grows with the excess, as conductivity does
    """

    def __init__(self, frac_h: Floats, rise_h: Floats, room_mm: Floats, step_h: float) -> None:
        kept = (1.0 - frac_h) ** step_h
        self.share = 1.0 - kept
        self.rise: Floats | None = None
        if np.any(rise_h > 0.0):
            with np.errstate(divide="ignore", invalid="ignore"):
                a = -np.log1p(-frac_h)
                lasting_h = np.where(a > 0.0, self.share / a, step_h)
            self.kept, self.rise = kept, rise_h / room_mm * lasting_h

    def take(self, excess_mm: Floats) -> None:
        """Turn an excess into what of it leaves, in place."""
        if self.rise is None:
            excess_mm *= self.share
        else:
            excess_mm -= excess_mm * self.kept / (1.0 + self.rise * excess_mm)


class Block:
    """Strips (K, M) that are stepped together. It exists so that a dry step allocates nothing."""

    def __init__(self, p: SoilParams, top: Floats, base: Floats, step_h: float) -> None:
        shape = top.shape

        def full(a: npt.ArrayLike) -> Floats:
            return np.broadcast_to(np.asarray(a, dtype=np.float64), shape).copy()

        self.top, self.base = top.copy(), base.copy()
        top_mm, base_mm = full(p.top_thickness_mm), full(p.base_thickness_mm)
        self.has_base = bool(np.any(base_mm > 0.0))
        self.fc_top, self.fc_base = p.theta_fc * top_mm, p.theta_fc * base_mm
        self.sat_top, self.sat_base = p.theta_sat * top_mm, p.theta_sat * base_mm
        self.dry_top = self.fc_top - p.tew_mm
        self.may_empty = bool(np.any(self.dry_top < 0.0))
        self.range_mm, self.factor = full(p.tew_mm - p.rew_mm), full(p.evaporation_factor)
        self.from_top = Leaving(full(p.drainage_frac_h), full(p.drainage_rise_h), self.sat_top - self.fc_top, step_h)
        if self.has_base:
            room_base = self.sat_base - self.fc_base
            self.from_base = Leaving(full(p.base_drainage_frac_h), full(p.base_drainage_rise_h), room_base, step_h)
        self.ratio = base_mm / top_mm
        self.level = full(1.0 - (1.0 - p.resupply_frac_h) ** step_h) / (1.0 + self.ratio)
        self.top_share = 1.0 / (1.0 + self.ratio)
        self.intake_loose = full(p.intake_mm_h) * step_h
        self.takes_all = bool(np.all(np.isinf(self.intake_loose)))
        self.x, self.y = np.empty(shape), np.empty(shape)
        self.infiltrated, self.ran_off = np.zeros(shape), np.zeros(shape)
        self.evaporated, self.drained = np.zeros(shape), np.zeros(shape)
        self.evaporation = self.stretch = self.intake = self.x
        self.least_stretch_mm = 0.0
        self.mixes = np.ones((shape[0], 1), dtype=np.bool_)
        self.may_drain = True

    def set_surface(self, state: npt.NDArray[np.int64], before: npt.NDArray[np.int64] | None) -> None:
        """Take the surface states (K,) of the step; turning a lift over evens out its layers."""
        if before is not None:
            turned = (state != before) & _MIXES_ON_CHANGE[state]
            if turned.any():
                total = self.top[turned] + self.base[turned]
                self.top[turned] = total * self.top_share[turned]
                self.base[turned] = total - self.top[turned]
                self.may_drain = True
        self.evaporation = self.factor * _EVAPORATION[state][:, None]
        self.stretch = self.range_mm / self.evaporation
        self.least_stretch_mm = float(self.stretch.min())
        self.intake = self.intake_loose if self.takes_all else self.intake_loose * _INTAKE[state][:, None]
        self.mixes = _MIXES_WATER[state][:, None]

    def refuse(self, rain_mm: Floats, watering_mm: Floats) -> None:
        """Let rain and truck water (K,) run off frozen ground."""
        self.ran_off += rain_mm + watering_mm[:, None]

    def wet(self, rain_mm: Floats, watering_mm: Floats) -> None:
        """Let rain (M,) or (K, M) and truck water (K,) in as far as surface and pores allow; the rest runs off."""
        put_on = np.broadcast_to(watering_mm[:, None], self.top.shape)
        mixed = np.where(self.mixes, put_on, 0.0)
        supply = rain_mm + (put_on - mixed)
        soaked = supply if self.takes_all else -self.intake * np.expm1(-supply / self.intake)
        into_top = np.minimum(soaked + mixed * self.top_share, np.maximum(self.sat_top - self.top, 0.0))
        self.top += into_top
        taken = into_top
        if self.has_base:
            # What the full top cannot hold goes on to the base, with the base's own part of the mixed water.
            into_base = np.minimum(soaked + mixed - into_top, np.maximum(self.sat_base - self.base, 0.0))
            self.base += into_base
            taken = into_top + into_base
        self.infiltrated += taken
        self.ran_off += rain_mm + put_on - taken
        self.may_drain = True

    def drain_down(self) -> None:
        """Drain what stands above field capacity, base first, so that the top finds room."""
        x, y = self.x, self.y
        np.subtract(self.top, self.fc_top, out=x)
        np.maximum(x, 0.0, out=x)
        most = x.max()
        if self.has_base:
            np.subtract(self.base, self.fc_base, out=y)
            np.maximum(y, 0.0, out=y)
            most = max(most, y.max())
        if most <= STILL_DRAINING_MM:
            self.may_drain = False
            return
        self.from_top.take(x)
        if not self.has_base:
            self.top -= x
            self.drained += x
            return
        self.from_base.take(y)
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

    def dry(self, demand_mm: np.float64 | Floats) -> None:
        """Take evaporation from the top: all of the demand in stage one, a falling share in stage two.

        Stage two is dE/dt proportional to what is left, so the step takes left * (1 - exp(-a)), a = demand / range;
        a / (1 + a / 2) stands for the bracket (0.1 % off at a = 0.1), held below 1.
        """
        x, y = self.x, self.y
        np.subtract(self.top, self.dry_top, out=x)
        np.maximum(x, 0.0, out=x)
        np.multiply(self.stretch, 1.0 / demand_mm, out=y)
        y += 0.5
        if np.max(demand_mm) > 2.0 * self.least_stretch_mm:
            np.maximum(y, 1.0, out=y)
        x /= y
        np.multiply(self.evaporation, demand_mm, out=y)
        np.minimum(x, y, out=x)
        if self.may_empty:
            np.minimum(x, self.top, out=x)
        self.top -= x
        self.evaporated += x
