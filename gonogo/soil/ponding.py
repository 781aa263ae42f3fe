"""Water that stands on a strip: what rain brings faster than the surface takes it in, up to what its hollows hold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from gonogo.soil.by_strip import ByStrip
from gonogo.soil.classes import SOIL_CLASSES
from gonogo.soil.rain import SURFACES, loose_intake_mm_h, taken_in_mm

Floats = npt.NDArray[np.float64]

# What the hollows of a surface hold before it runs off [mm]. Depression storage of bare and rolled ground, 1 to 3 mm
# smooth and twice that and more rough, as drainage handbooks give it, from memory; crowned and sealed ground sheds.
HOLDS_MM: dict[str, float] = {"loose": 5.0, "scarified": 6.0, "sealed": 1.5}
SOAKED_SHARE = 0.25  # of the first hour's intake is left to ground that has been wet for hours: our own choice


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Water that somebody saw standing on a strip at the start of an hour [mm]; 0 = it was let off."""

    hour: int
    strip: int
    depth_mm: float


def standing_water_mm(
    rain_mm: Floats,
    et0_mm: Floats,
    frozen: npt.NDArray[np.bool_],
    *,
    soil_classes: Sequence[str],
    surfaces: Sequence[str],
    melt_mm: Floats | None = None,
    seen: Sequence[Seen] = (),
) -> ByStrip:
    """Return the water that stands on each strip at the start of each hour [mm], (H, S, M).

    rain_mm   water at the ground in the hour (H, M); NaN runs through to every later hour of its member
    et0_mm    (H,); frozen (H,): nothing soaks in, nothing dries, and what does not run off stays as ice
    soil_classes, surfaces   of the S strips, a key of SOIL_CLASSES and of HOLDS_MM each
    melt_mm   (H, S) what melts on each strip, on top of the rain; None = nothing
    seen      in the order of their hours; what was seen lies in hollows that hold as much, until it is let off

    Source: balance of a depression store with the intake of soil/rain.py. Checked in tests/soil/test_ponding.py.
    """
    # Strips of the same soil and surface, with the same melt and nothing seen of their own, are alike: one array.
    melt = np.zeros((len(rain_mm), len(surfaces))) if melt_mm is None else melt_mm
    own = {event.strip for event in seen}
    kinds = [
        (soil, surface, melt[:, s].tobytes(), s if s in own else -1)
        for s, (soil, surface) in enumerate(zip(soil_classes, surfaces, strict=True))
    ]
    first = [kinds.index(kind) for kind in dict.fromkeys(kinds)]
    row_of = {kinds[s]: row for row, s in enumerate(first)}
    standing = _standing_mm(
        rain_mm,
        et0_mm,
        frozen,
        soil_classes=[soil_classes[s] for s in first],
        surfaces=[surfaces[s] for s in first],
        melt_mm=melt[:, first],
        seen=[replace(event, strip=row_of[kinds[event.strip]]) for event in seen],
    )
    alike = [standing[:, row] for row in range(len(first))]
    return ByStrip([alike[row_of[kind]] for kind in kinds])


def _standing_mm(
    rain_mm: Floats,
    et0_mm: Floats,
    frozen: npt.NDArray[np.bool_],
    *,
    soil_classes: Sequence[str],
    surfaces: Sequence[str],
    melt_mm: Floats,
    seen: Sequence[Seen],
) -> Floats:
    """Return what stands on strips that differ; arguments as of `standing_water_mm`."""
    intake = np.array([_intake_mm_h(*kind) for kind in zip(soil_classes, surfaces, strict=True)])[:, None]
    usual = np.array([HOLDS_MM[surface] for surface in surfaces])[:, None]
    holds = usual.copy()
    events = {hour: [e for e in seen if e.hour == hour] for hour in {e.hour for e in seen}}
    n_hours, n_members = rain_mm.shape
    out = np.zeros((n_hours, len(surfaces), n_members))
    lying = np.zeros((len(surfaces), n_members))
    melts = np.asarray(melt_mm.any(axis=1))
    is_wet = np.asarray(rain_mm.any(axis=1)) | melts
    dries_mm = np.maximum(np.nan_to_num(et0_mm), 0.0)
    stands = False
    for h in range(n_hours):
        for event in events.get(h, ()):
            lying[event.strip] = event.depth_mm
            holds[event.strip] = np.maximum(usual[event.strip], event.depth_mm)
            stands = bool(lying.any())
        if stands:
            out[h] = lying
        elif not is_wet[h]:
            continue
        supply = lying + rain_mm[h]
        if melts[h]:
            supply = supply + melt_mm[h][:, None]
        if not frozen[h]:
            supply = np.maximum(supply - taken_in_mm(supply, intake) - dries_mm[h], 0.0)
        lying = np.minimum(supply, holds)
        stands = bool(lying.any())
    return out


def soaked_in_mm(
    depth_mm: float,
    hours: range,
    et0_mm: Floats,
    frozen: npt.NDArray[np.bool_],
    *,
    soil_class: str,
    surface: str,
) -> Floats:
    """Return what water that was seen standing gives to the ground in each hour [mm], (H,).

    depth_mm  at the start of the first of the hours; after the last one what is left was let off

    As `standing_water_mm` has it soak in and dry off. Checked in tests/soil/test_ponding.py.
    """
    soaked, intake, lying_mm = np.zeros(len(et0_mm)), _intake_mm_h(soil_class, surface), depth_mm
    for h in hours:
        if frozen[h]:
            continue
        soaked[h] = float(taken_in_mm(np.float64(lying_mm), np.float64(intake)))
        lying_mm = max(lying_mm - soaked[h] - max(float(np.nan_to_num(et0_mm[h])), 0.0), 0.0)
    return soaked


def _intake_mm_h(soil_class: str, surface: str) -> float:
    """What ground that has been wet for hours takes in [mm/h]."""
    return SOAKED_SHARE * loose_intake_mm_h(SOIL_CLASSES[soil_class]) * SURFACES[surface].intake_factor
