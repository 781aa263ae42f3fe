"""Amounts of water far from what a strip needs: asked about before they are recorded."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from gonogo.errors import Fault
from gonogo.field.entries import NewEntry
from gonogo.records.field import Watering
from gonogo.records.site import Site

# A truck neither meters less than the one nor does a lift take more than the other at once: common practice.
LEAST_MM, MOST_MM = 0.1, 20.0
FAR_FROM_TOLD = 5.0  # so many times more or less than the day's plan told


@dataclass(frozen=True, slots=True, kw_only=True)
class FarAmount:
    """Water that is far from what was told, or from what any lift takes. told_litres: None where none was told."""

    strip_id: str
    litres: float
    depth_mm: float
    told_litres: float | None


def far_amount(new: NewEntry, site: Site, told_litres: Mapping[str, float]) -> FarAmount | None:
    """Return why a watering is asked about, None where nothing is.

    told_litres   by strip what the last verdicts of today told to put on
    """
    if not isinstance(new.entry, Watering) or new.is_meant_again:
        return None
    strip = site.strip(new.entry.strip_id)
    depth_mm, told = new.entry.litres / strip.area_m2, told_litres.get(strip.id)
    is_usual = LEAST_MM <= depth_mm <= MOST_MM
    is_as_told = told is None or told / FAR_FROM_TOLD <= new.entry.litres <= told * FAR_FROM_TOLD
    if is_usual and is_as_told:
        return None
    return FarAmount(strip_id=strip.id, litres=new.entry.litres, depth_mm=depth_mm, told_litres=told)


def faults(new: Iterable[NewEntry], site: Site, told_litres: Mapping[str, float]) -> list[Fault]:
    """Return a fault for every watering that is far from what its strip needs."""
    found = []
    for entry in new:
        far = far_amount(entry, site, told_litres)
        if far is None:
            continue
        area_m2 = site.strip(far.strip_id).area_m2
        told = "" if far.told_litres is None else f"; {far.told_litres:.0f} L were told"
        found.append(
            Fault(
                place=entry.place,
                key="litres",
                value=f"{far.litres:.0f}",
                wrong=f"is {far.depth_mm:.2f} mm on the {area_m2:.0f} m2 of {far.strip_id}{told}.",
                right="If it is right, add --again (in a file: again in the column meant). Nothing was stored.",
            )
        )
    return found
