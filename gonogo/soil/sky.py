"""What weather and work bring to the strips, hour by hour."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sky:
    """What happens to the strips hour by hour, or in steps of another length.

    et0_mm           reference evapotranspiration of the step [mm], (H,), (H, M) or (H, S, M); below 0 counts as 0
    kc_max           upper limit of bare-soil evaporation over et0_mm [-], (H,)
    rain_mm          liquid water reaching the ground in the step [mm], (H, M) or (H, S, M)
    frozen           (H,) nothing moves in such a step, and what falls runs off
    watering_mm      water put on by the truck in the step [mm], (H, S)
    surface          index into rain.SURFACES, (H, S); a change takes place at the start of its step
    turned           (H, S) the lift is turned over at the start of the step, its layers made alike; None: never
    moist            (H, S) share of the moist soil turned up that is still there, as moist_share gives it; None: none
    """

    et0_mm: Floats
    kc_max: Floats
    rain_mm: Floats
    frozen: npt.NDArray[np.bool_]
    watering_mm: Floats
    surface: npt.NDArray[np.int64]
    turned: npt.NDArray[np.bool_] | None = None
    moist: Floats | None = None

    def between(self, begin: int, end: int) -> Sky:
        """Return the steps from one to another."""
        span = slice(begin, end)
        return Sky(
            et0_mm=self.et0_mm[span],
            kc_max=self.kc_max[span],
            rain_mm=self.rain_mm[span],
            frozen=self.frozen[span],
            watering_mm=self.watering_mm[span],
            surface=self.surface[span],
            turned=None if self.turned is None else self.turned[span],
            moist=None if self.moist is None else self.moist[span],
        )

    def of_strips(self, columns: Sequence[int]) -> Sky:
        """Return the same weather over some of the strips, whose rain and demand is that of the site."""
        own = list(columns)
        return replace(
            self,
            watering_mm=self.watering_mm[:, own],
            surface=self.surface[:, own],
            turned=None if self.turned is None else self.turned[:, own],
            moist=None if self.moist is None else self.moist[:, own],
        )

    def expected(self) -> Sky:
        """Return the weather as one member of mean demand and rain."""
        et0_mm = self.et0_mm if self.et0_mm.ndim == 1 else self.et0_mm.mean(axis=-1)
        return replace(self, et0_mm=et0_mm, rain_mm=self.rain_mm.mean(axis=-1, keepdims=True))


def moist_share(turned: npt.NDArray[np.bool_], demand_mm: Floats, ready_mm: Floats) -> Floats:
    """Return what is left at the start of each step of the moist soil that was turned up last, (H, S), 1 to 0.

    turned      (H, S) as of Sky; of a step itself it counts from its start on
    demand_mm   what the air asks of bare soil in each step, (H,)
    ready_mm    readily evaporable water of each strip's soil (S,) [mm]: once the air has asked for so much, it is dry

    By what is asked and not by what evaporated, so that it is the same for all members and weather that dries more
    never leaves a lift wetter. Source: FAO-56, ch. 7: stage one ends with REW. Checked in tests/soil/test_disking.py.
    """
    asked_mm = np.concatenate([np.zeros(1), np.cumsum(demand_mm)[:-1]])[:, None]
    at_turning = np.maximum.accumulate(np.where(turned, asked_mm, -np.inf), axis=0)
    return np.asarray(np.clip(1.0 - (asked_mm - at_turning) / ready_mm, 0.0, 1.0))
