"""What weather leaves on and in the ground of a site: snow that lies and melts, and how deep the frost stands."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from gonogo.records.site import Site
from gonogo.soil.rain import FRESH_SNOW_MM_PER_MM, SETTLED_SNOW_MM_PER_MM, melt_mm
from gonogo.weather import frost

Floats = npt.NDArray[np.float64]


def lying_snow(snow_mm: Floats, temp_degc: Floats, depth_mm: Floats) -> dict[str, Floats]:
    """Return what snow gives off, and how deep it lies: by the service, where it says nothing by what fell and melted.

    Snow that lay before the first hour is known by the service's depth alone.
    """
    before = float(depth_mm[0]) if len(depth_mm) and np.isfinite(depth_mm[0]) else 0.0
    melted = melt_mm(snow_mm, temp_degc, before / SETTLED_SNOW_MM_PER_MM)
    fallen = np.concatenate([[0.0], np.cumsum(snow_mm)[:-1]])
    gone = np.concatenate([[0.0], np.cumsum(melted)[:-1]])
    lying_mm = np.maximum(before / SETTLED_SNOW_MM_PER_MM + fallen - gone, 0.0)
    own = np.where(lying_mm > 1e-6, FRESH_SNOW_MM_PER_MM * lying_mm, 0.0)
    return {"melt_mm": melted, "snow_lying_mm": np.where(np.isnan(depth_mm), own, depth_mm)}


def deepest_frost_mm(site: Site, temp_degc: Floats, surface_degc: Floats, index_degc_h: Floats) -> Floats:
    """Return the depth of frost in the lift of the site that freezes deepest, (H,) [mm]."""
    deepest = np.zeros(len(temp_degc))
    if not (index_degc_h > 0.0).any():
        return deepest
    soil_degc = float(temp_degc.mean())
    for strip in site.strips:
        material = site.material(strip.material_id)
        depth = frost.frost_depth_mm(
            index_degc_h,
            surface_degc,
            dry_density_kg_m3=strip.dry_density_kg_m3,
            w_pct=frost.DRY_SHARE * material.omc_pct,
            is_granular=material.is_granular,
            soil_degc=soil_degc,
        )
        deepest = np.maximum(deepest, depth)
    return deepest
