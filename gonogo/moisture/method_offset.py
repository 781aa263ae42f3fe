"""How far a quick moisture test reads from the oven in a material, learned from pairs of both at one place and time.

A gauge counts hydrogen, also that of the minerals, a carbide meter misses what clay lumps hold: the offset belongs to
the material. It follows from the entries in force, so it is kept as long as they are and corrected with them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import timedelta

import numpy as np

from gonogo.records.field import Entry, Reading
from gonogo.records.site import Site
from gonogo.soil.readings import METHOD_ERROR_PCT

REFERENCE = "oven"  # ASTM D2216 is what the others are corrected to (D6938, D4643, D4944)
PAIR_WITHIN = timedelta(hours=1)
OFFSET_SD_PCT = 1.0  # before any pair: common practice, no source
SAME_SPOT_PCT = 0.3  # two samples of one spot: common practice, no source


def method_offsets_pct(site: Site, entries: Sequence[Entry]) -> dict[str, dict[str, float]]:
    """Return by material and method how much higher than the oven it reads [% points], where pairs tell.

    A pair is a test and the oven test of its strip nearest in time, at most an hour apart, not of different depths.
    Source: the mean of a normal distribution with a normal prior around 0. Checked in
    tests/moisture/test_method_offset.py.
    """
    material_of = {strip.id: strip.material_id for strip in site.strips}
    readings = [e for e in entries if isinstance(e, Reading) and e.strip_id in material_of]
    apart: dict[tuple[str, str], list[float]] = {}
    for reading in readings:
        if reading.method == REFERENCE or reading.method not in METHOD_ERROR_PCT:
            continue
        beside = [r for r in readings if r.method == REFERENCE and _is_pair(reading, r)]
        if beside:
            nearest = min(beside, key=lambda r: abs(r.at_utc - reading.at_utc))
            key = material_of[reading.strip_id], reading.method
            apart.setdefault(key, []).append(reading.w_pct - nearest.w_pct)
    out: dict[str, dict[str, float]] = {}
    for (material, method), differences in apart.items():
        pair_variance = METHOD_ERROR_PCT[method] ** 2 + METHOD_ERROR_PCT[REFERENCE] ** 2 + 2.0 * SAME_SPOT_PCT**2
        weight = len(differences) / (len(differences) + pair_variance / OFFSET_SD_PCT**2)
        out.setdefault(material, {})[method] = weight * float(np.mean(differences))
    return out


def of_material(offsets: Mapping[str, Mapping[str, float]], material_id: str) -> Mapping[str, float]:
    """Return the offsets of a material by method, none where no pair told any."""
    return offsets.get(material_id, {})


def _is_pair(reading: Reading, oven: Reading) -> bool:
    is_near = reading.strip_id == oven.strip_id and abs(reading.at_utc - oven.at_utc) <= PAIR_WITHIN
    return is_near and (None in (reading.depth_mm, oven.depth_mm) or reading.depth_mm == oven.depth_mm)
