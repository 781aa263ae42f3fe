"""The true soil of a season: a lift in six layers on two of the lift below, on ground, all strips at once.

Water is counted in mm (kg of water on a square metre), content in shares of the layer's dry mass. Four things move it,
each with parameters drawn by strip or season: evaporation out of a crust a centimetre thick that seals itself as it
dries, with a weak vapour path through it; intake by the state of the surface, which slakes under rain; exchange between
neighbours, faster in wetter soil; drainage of what the soil cannot hold. Rain that is not taken in stands on the strip
or runs off. Every equation is the season's own: it shares none with the product.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace

import numpy as np
import numpy.typing as npt
from benchmarks.season.sky import Floats

STEP_H = 0.25
LIFT_SHARES = np.array([0.04, 0.16, 0.20, 0.20, 0.20, 0.20])  # of the lift's dry mass, the crust first
BELOW_SHARES = np.array([0.30, 0.30])
N_LIFT = len(LIFT_SHARES)
LOOSE, SCARIFIED, SEALED = 0, 1, 2
POND_MM = np.array([3.0, 4.0, 0.4])  # what may stand on each surface
SLAKING_MM = 25.0  # rain on bare soil after which its intake has halved
DISKED_DRIES_H = 10.0  # how long a fresh disking speeds up drying


@dataclass(frozen=True, slots=True, kw_only=True)
class Nature:
    """What the soil of each strip is, (S,). w in shares of dry mass, intake in mm/h.

    holds, least       content above which water drains; content to which the crust dries
    wet_crust          content of the crust from which it evaporates like open water
    full, full_rolled  saturation as spread and as rolled
    evaporates         evaporation of a wet crust over that of open water; sealed: share of it under a sealed surface
    vapour             what still comes through a dry crust, as a share
    intake_*           of a fresh surface by its state; sheds: share that runs off a sealed, crowned surface
    bypass             share of the intake that runs down between clods at once
    exchange_mm_h      water that moves between layer middles 100 mm apart for a difference of 0.1
    drains_h           share of the excess that drains in an hour
    below              content of the ground under it all
    """

    dry_mass: Floats
    optimum: Floats
    holds: Floats
    least: Floats
    wet_crust: Floats
    full: Floats
    full_rolled: Floats
    evaporates: Floats
    sealed: Floats
    vapour: Floats
    intake_loose: Floats
    intake_sealed: Floats
    sheds: Floats
    bypass: Floats
    exchange_mm_h: Floats
    drains_h: Floats
    below: Floats


@dataclass(slots=True, kw_only=True)
class Ground:
    """State of all strips. w: (L, S), the crust first; the rest (S,).

    in_mm, out_mm, runoff_mm   sums since the start: rain and truck; what evaporated or drained (less what rose); runoff
    """

    nature: Nature
    w: Floats
    surface: npt.NDArray[np.int64]
    is_rolled: npt.NDArray[np.bool_]
    pond_mm: Floats
    slaked_mm: Floats
    disked_h: Floats
    in_mm: Floats = field(init=False)
    out_mm: Floats = field(init=False)
    runoff_mm: Floats = field(init=False)

    def __post_init__(self) -> None:
        n = self.w.shape[1]
        self.in_mm, self.out_mm, self.runoff_mm = np.zeros(n), np.zeros(n), np.zeros(n)

    def copy(self) -> Ground:
        """Return a twin that may be led into another future."""
        twin = replace(self)
        for part in fields(self):
            value = getattr(self, part.name)
            setattr(twin, part.name, value.copy() if isinstance(value, np.ndarray) else value)
        return twin

    @property
    def mass(self) -> Floats:
        """Dry mass of each layer [kg/m2], (L, S)."""
        return np.concatenate([LIFT_SHARES, BELOW_SHARES])[:, None] * self.nature.dry_mass

    @property
    def lift_w(self) -> Floats:
        """Mean content of the lift, (S,)."""
        return np.asarray(LIFT_SHARES @ self.w[:N_LIFT])

    @property
    def halves_w(self) -> tuple[Floats, Floats]:
        """Mean content of the upper and the lower half, (S,) each."""
        upper = np.array([0.04, 0.16, 0.20, 0.10]) @ self.w[:4] / 0.5
        lower = np.array([0.10, 0.20, 0.20]) @ self.w[3:N_LIFT] / 0.5
        return np.asarray(upper), np.asarray(lower)

    def stored_mm(self) -> Floats:
        """Water in layers and standing on them, (S,)."""
        return np.asarray((self.w * self.mass).sum(axis=0) + self.pond_mm)

    # --- weather ---------------------------------------------------------------------------------------------

    def advance(self, rain_mm: float, open_water_mm: float) -> None:
        """Pass a quarter of an hour with its rain and the evaporation that open water would have."""
        self.in_mm += rain_mm
        self._take_in(rain_mm)
        self._evaporate(open_water_mm)
        self._exchange()
        self._drain()
        self.slaked_mm += rain_mm
        self.disked_h += STEP_H

    def _full(self) -> Floats:
        full = np.where(self.is_rolled, self.nature.full_rolled, self.nature.full)
        return np.vstack([np.broadcast_to(full, (N_LIFT, len(full))), np.tile(self.nature.full_rolled, (2, 1))])

    def _take_in(self, rain_mm: float) -> None:
        nature, is_sealed = self.nature, self.surface == SEALED
        shed = np.where(is_sealed, nature.sheds, 0.0) * rain_mm
        supply = self.pond_mm + rain_mm - shed
        fresh = np.where(is_sealed, nature.intake_sealed, nature.intake_loose)
        fresh = fresh * np.where(self.surface == SCARIFIED, 1.5, 1.0)
        slaked = np.where(is_sealed, 1.0, 1.0 / (1.0 + self.slaked_mm / SLAKING_MM))
        taken = np.minimum(supply, fresh * slaked * STEP_H)
        left = self._fill(taken)
        standing = supply - taken + left
        self.pond_mm = np.minimum(standing, POND_MM[self.surface])
        self.runoff_mm += shed + standing - self.pond_mm

    def _fill(self, water_mm: Floats) -> Floats:
        """Put water into the lift from above, part of it between the clods; return what finds no room [mm]."""
        mass, full = self.mass, self._full()
        holds = np.minimum(self.nature.holds + 0.3 * (full - self.nature.holds), full)
        between = water_mm * np.where(self.surface == SEALED, 0.0, self.nature.bypass)
        down = water_mm - between
        for layer in range(N_LIFT):
            room = np.maximum(holds[layer] - self.w[layer], 0.0) * mass[layer]
            share = between * LIFT_SHARES[layer]
            wanted = down + share
            put = np.minimum(wanted, room)
            self.w[layer] += put / mass[layer]
            down = wanted - put
        for layer in range(N_LIFT - 1, -1, -1):  # what is left backs up from the base
            put = np.minimum(down, np.maximum(full[layer] - self.w[layer], 0.0) * mass[layer])
            self.w[layer] += put / mass[layer]
            down = down - put
        return down

    def _evaporate(self, open_water_mm: float) -> None:
        nature, mass = self.nature, self.mass
        demand = open_water_mm * nature.evaporates * np.where(self.surface == SEALED, nature.sealed, 1.0)
        fresh = np.where(self.surface == SCARIFIED, np.exp(-self.disked_h / DISKED_DRIES_H), 0.0)
        demand = demand * (1.0 + 0.35 * fresh)
        from_pond = np.minimum(self.pond_mm, demand)
        self.pond_mm -= from_pond
        demand = demand - from_pond
        wet = np.clip((self.w[0] - nature.least) / (nature.wet_crust - nature.least), 0.0, 1.0)
        from_crust = np.minimum(demand * wet, np.maximum(self.w[0] - nature.least, 0.0) * mass[0])
        under = np.clip((self.w[1] - nature.least) / (nature.wet_crust - nature.least), 0.0, 1.0)
        through = nature.vapour * (1.0 + 1.5 * fresh)
        from_under = np.minimum(
            (demand - from_crust) * through * under, np.maximum(self.w[1] - nature.least, 0) * mass[1]
        )
        self.w[0] -= from_crust / mass[0]
        self.w[1] -= from_under / mass[1]
        self.out_mm += from_pond + from_crust + from_under

    def _exchange(self) -> None:
        """Even out neighbours, implicit in the step so that any rate is stable and no water is lost."""
        nature, mass = self.nature, self.mass
        thick = mass / (nature.dry_mass / 250.0)  # mm, by a lift of 250 mm
        wetness = np.clip(self.w / nature.optimum, 0.2, 1.6) ** 3
        contact = np.where(self.is_rolled, 1.6, 1.0)
        rate = (
            nature.exchange_mm_h * contact * 0.5 * (wetness[:-1] + wetness[1:]) / (0.5 * (thick[:-1] + thick[1:]) / 100)
        )
        rate = rate * 10.0 * STEP_H  # mm in the step for a difference of 1
        bottom = nature.exchange_mm_h * wetness[-1] / (0.5 * thick[-1] / 100.0 + 1.0) * 10.0 * STEP_H
        lower = np.vstack([np.zeros_like(bottom)[None], rate])
        upper = np.vstack([rate, bottom[None]])
        diagonal = mass + lower + upper
        right = mass * self.w
        right[-1] += bottom * nature.below
        self.w = _tridiagonal(-lower, diagonal, -upper, right)
        self.out_mm += bottom * (self.w[-1] - nature.below)

    def _drain(self) -> None:
        mass, full, gone = self.mass, self._full(), np.zeros(self.w.shape[1])
        share = 1.0 - np.exp(-self.nature.drains_h * STEP_H)
        for layer in range(self.w.shape[0]):
            self.w[layer] += gone / mass[layer]
            excess = np.maximum(self.w[layer] - self.nature.holds, 0.0) * mass[layer]
            room = np.inf
            if layer + 1 < self.w.shape[0]:
                room = np.maximum(full[layer + 1] - self.w[layer + 1], 0.0) * mass[layer + 1]
            gone = np.minimum(share * excess, room)
            self.w[layer] -= gone / mass[layer]
        self.out_mm += gone

    # --- work ------------------------------------------------------------------------------------------------

    def spread(self, s: int, w: float) -> None:
        """Lay a new lift on a strip; the lift that lay there becomes what lies below."""
        self.w[N_LIFT:, s] = self.lift_w[s]
        self.w[:N_LIFT, s] = w
        self.surface[s], self.is_rolled[s] = LOOSE, False
        self.pond_mm[s] = self.slaked_mm[s] = 0.0

    def water(self, s: int, litres_m2: float) -> None:
        """Spray water on an opened surface; what the full soil does not take runs off."""
        self.in_mm[s] += litres_m2
        only = np.zeros(self.w.shape[1])
        only[s] = litres_m2
        self.surface[s] = SCARIFIED if self.surface[s] == SEALED else self.surface[s]
        self.runoff_mm[s] += self._fill(only)[s]

    def mix(self, s: int, how_well: float) -> None:
        """Blend the layers of a lift; 1 = all alike. The surface lies open after it."""
        mean = self.lift_w[s]
        self.w[:N_LIFT, s] += how_well * (mean - self.w[:N_LIFT, s])
        self.surface[s], self.is_rolled[s] = SCARIFIED, False
        self.slaked_mm[s] = 0.0
        self.disked_h[s] = 0.0

    def seal(self, s: int) -> None:
        """Close the surface with a smooth drum and crown it."""
        self.surface[s] = SEALED
        self.runoff_mm[s] += self.pond_mm[s]
        self.pond_mm[s] = 0.0

    def roll(self, s: int) -> None:
        """Finish rolling: dense and closed."""
        self.seal(s)
        self.is_rolled[s] = True


def _tridiagonal(lower: Floats, diagonal: Floats, upper: Floats, right: Floats) -> Floats:
    """Solve a tridiagonal system for each column (Thomas); lower[0] and upper[-1] lie outside."""
    n = len(diagonal)
    factor, value = np.empty_like(diagonal), np.empty_like(right)
    factor[0], value[0] = upper[0] / diagonal[0], right[0] / diagonal[0]
    for k in range(1, n):
        pivot = diagonal[k] - lower[k] * factor[k - 1]
        factor[k] = upper[k] / pivot
        value[k] = (right[k] - lower[k] * value[k - 1]) / pivot
    for k in range(n - 2, -1, -1):
        value[k] -= factor[k] * value[k + 1]
    return value
