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
    surface_before   the same before the first step (S,), or None: as in the first step
    """

    et0_mm: Floats
    kc_max: Floats
    rain_mm: Floats
    frozen: npt.NDArray[np.bool_]
    watering_mm: Floats
    surface: npt.NDArray[np.int64]
    surface_before: npt.NDArray[np.int64] | None = None

    def between(self, begin: int, end: int) -> Sky:
        """Return the steps from one to another, which begin on the surface that the step before them left."""
        span = slice(begin, end)
        return Sky(
            et0_mm=self.et0_mm[span],
            kc_max=self.kc_max[span],
            rain_mm=self.rain_mm[span],
            frozen=self.frozen[span],
            watering_mm=self.watering_mm[span],
            surface=self.surface[span],
            surface_before=self.surface[begin - 1] if begin else self.surface_before,
        )

    def of_strips(self, columns: Sequence[int]) -> Sky:
        """Return the same weather over some of the strips, whose rain and demand is that of the site."""
        own = list(columns)
        before = None if self.surface_before is None else self.surface_before[own]
        return replace(self, watering_mm=self.watering_mm[:, own], surface=self.surface[:, own], surface_before=before)

    def expected(self) -> Sky:
        """Return the weather as one member of mean demand and rain."""
        et0_mm = self.et0_mm if self.et0_mm.ndim == 1 else self.et0_mm.mean(axis=-1)
        return replace(self, et0_mm=et0_mm, rain_mm=self.rain_mm.mean(axis=-1, keepdims=True))
