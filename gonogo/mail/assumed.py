"""What of a crew's soils, lifts and machines nobody stated: it was taken as usual, and the mail's foot says so."""

from __future__ import annotations

from collections.abc import Sequence

from gonogo.mail.morning import Morning
from gonogo.records.site import Material, Roller, Truck
from gonogo.wording.instruction import short_name
from gonogo.wording.phrases import Names, Phrase, phrase


def assumed(morning: Morning) -> tuple[Phrase, ...]:
    """Return a sentence for each soil class that follows from a group, for densities, and for each machine."""
    own = morning.strips.values()
    used = {strip.material_id for strip in own}
    soils = [_soil(material) for material in morning.site.materials if material.id in used and material.soil_group]
    guessed = tuple(short_name(strip) for strip in own if strip.is_density_assumed)
    density = [phrase("unsure.assumed_density", strips=Names(items=guessed))] if guessed else []
    return (*soils, *density, *_machines(morning))


def _soil(material: Material) -> Phrase:
    key = "unsure.soil_by_group" if material.group_textures else "unsure.soil_by_group_unpublished"
    return phrase(key, material=material.name, group=material.soil_group)


def _machines(morning: Morning) -> Sequence[Phrase]:
    machines: dict[str, Roller | Truck] = {}
    for crew in morning.crews:
        owned: tuple[Roller | Truck, ...] = (*crew.rollers, *crew.trucks)
        machines |= {machine.name: machine for machine in owned if machine.assumed}
    return [
        phrase(
            "unsure.assumed_machine",
            machine=name,
            fields=Names(items=tuple(phrase(f"field.{field}") for field in machine.assumed)),
        )
        for name, machine in machines.items()
    ]
