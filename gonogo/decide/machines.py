"""Which roller and which water trucks of a crew serve a strip on a day."""

from __future__ import annotations

from datetime import date

from gonogo.decide.rolling import drum_suits
from gonogo.records.site import Crew, Roller, Site, Strip, Truck


def roller_of(site: Site, strip: Strip, day: date | None = None) -> Roller:
    """Return the roller of the strip's crew that rolls it: one that its method names, else one whose drum suits it.

    day   on which the roller must be on site; None = whichever day

    The first of the crew's list goes before the others, and stands in where none suits or none is there.
    """
    crew, material = site.crew(strip.crew_id), site.material(strip.material_id)
    here = [roller for roller in crew.rollers if day is None or day not in roller.away]
    named = [r for r in here if material.method is not None and r.id in material.method.roller_ids]
    suiting = [roller for roller in here if drum_suits(roller, material)]
    return next(iter((*named, *suiting, *here)), crew.roller)


def trucks_on(crew: Crew, day: date) -> tuple[Truck, ...]:
    """Return the water trucks that a crew has on a day."""
    return tuple(truck for truck in crew.trucks if day not in truck.away)
