"""What weather and work bring to the strips, hour by hour."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sky:
    """What happens to the strips hour by hour.

    et0_mm    reference evapotranspiration (H,) or (H, M); kc_max (H,)
    rain_mm   liquid water at the ground (H, M), at least two members; frozen (H,)
    watering_mm, surface   (H, S); surface an index into rain.SURFACES
    """

    et0_mm: Floats
    kc_max: Floats
    rain_mm: Floats
    frozen: npt.NDArray[np.bool_]
    watering_mm: Floats
    surface: npt.NDArray[np.int64]
