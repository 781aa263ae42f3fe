"""What may be a slip in a site's file, though each value can be: warnings from the file alone."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from gonogo.config.lines import Loc
from gonogo.config.toml_file import ConfigFile
from gonogo.records.field import Reading
from gonogo.records.ranges import likely_slip
from gonogo.records.site import Site, Strip, Surface

LOOSE_MOST_PCT = 92.0  # of the maximum; loose fill has about 75 to 90 %: common practice
FAR_OUTSIDE_PCT = 8.0  # points beyond the window at which a test, or its strip, is more likely a slip
# Names that RFC 2606 keeps for examples: no mail to them arrives.
_RESERVED = re.compile(r"(?:.*\.)?(?:example\.(?:com|net|org)|example|test|invalid|localhost)", re.IGNORECASE)


def reaches_nobody(address: str) -> bool:
    """Return whether an address is one of those that are kept for examples."""
    return _RESERVED.fullmatch(address.rpartition("@")[2]) is not None


def warn_of_site(file: ConfigFile, site: Site, readings: Sequence[Reading]) -> None:
    """Warn of what is likely a slip in the file of a site that has no fault."""
    _warn_of_unused(file, site)
    _warn_of_names(file, site)
    _warn_of_people(file, site)
    _warn_of_density(file, site)
    _warn_of_units(file)
    for reading in readings:
        _warn_of_far_test(file, site, reading)


def warn_of_addresses(file: ConfigFile, named: Mapping[Loc, str]) -> None:
    """Warn of addresses that reach nobody, where mails are really sent."""
    for loc, address in named.items():
        if reaches_nobody(address):
            file.warn(13, loc, "is an address kept for examples: nobody reads it.", "Write the person's own.")


def addresses_of(site: Site) -> dict[Loc, str]:
    """Return where each address of a site's people stands."""
    return {
        ("crew", crew.id, "person", n, "address"): person.address
        for crew in site.crews
        for n, person in enumerate(crew.recipients)
    }


def _warn_of_unused(file: ConfigFile, site: Site) -> None:
    """Machines that no crew names, and materials of no strip."""
    crews, materials = file.raw.get("crew", {}), file.raw.get("material", {})
    named = set(_texts(crews)) | set(_texts(materials))
    for section in ("roller", "truck"):
        for machine in file.raw.get(section, {}):
            if machine not in named:
                wrong = f"is a {section} that no crew has: no plan uses it."
                file.warn(27, (section, machine), wrong, f'Write {section} = "{machine}" at its crew, or delete it.')
    used = {strip.material_id for strip in (*site.strips, *site.ended)}
    for material in site.materials:
        if material.id not in used:
            wrong = "is a material that no strip has."
            file.warn(31, ("material", material.id), wrong, f'Write material = "{material.id}" at its strips.')


def _texts(raw: Any) -> Iterator[str]:
    """Yield every text that stands anywhere below."""
    if isinstance(raw, str):
        yield raw
    for below in raw.values() if isinstance(raw, dict) else raw if isinstance(raw, list) else ():
        yield from _texts(below)


def _warn_of_names(file: ConfigFile, site: Site) -> None:
    strips: dict[str, list[Strip]] = defaultdict(list)
    for strip in site.strips:
        strips[" ".join(strip.name.casefold().split())].append(strip)
    for same in strips.values():
        for strip in same[1:]:
            wrong = f"is the name of strip {same[0].id} too: a crew cannot tell them apart."
            file.warn(28, ("strip", strip.id, "name"), wrong, "Give each strip a name of its own.")


def _warn_of_people(file: ConfigFile, site: Site) -> None:
    for crew in site.crews:
        if not any(person.role == "superintendent" for person in crew.recipients):
            wrong = "has no superintendent: nobody gets the mail with the verdicts and their reasons."
            file.warn(29, ("crew", crew.id), wrong, 'Give one of its people role = "superintendent".')


def _warn_of_density(file: ConfigFile, site: Site) -> None:
    for strip in site.strips:
        share_pct = 100.0 * strip.dry_density_kg_m3 / site.material(strip.material_id).mdd_kg_m3
        if strip.surface is Surface.LOOSE and strip.ground == "fill" and share_pct > LOOSE_MOST_PCT:
            file.warn(
                32,
                ("strip", strip.id, "dry_density_kg_m3"),
                f"is {share_pct:.0f} % of the maximum, as dense as rolled, and surface is loose.",
                "Write the density as spread, about 75 to 90 % of the maximum; not that of the rolled lift.",
            )


def _warn_of_units(file: ConfigFile) -> None:
    """Numbers that can be, but are more likely of another unit."""

    def look(raw: Any, loc: Loc) -> None:
        if isinstance(raw, dict):
            for key, below in raw.items():
                look(below, (*loc, key))
        elif isinstance(raw, list) and raw and all(isinstance(entry, dict) for entry in raw):
            for n, below in enumerate(raw):
                look(below, (*loc, n))
        elif loc and isinstance(loc[-1], str):
            for number in raw if isinstance(raw, list) else [raw]:
                is_number = isinstance(number, (int, float)) and not isinstance(number, bool)
                slip = likely_slip(loc[-1], number) if is_number else None
                if slip is not None:
                    file.warn(33, loc, f"can be, but {slip.advice[0].lower()}{slip.advice[1:]}.", "Look at it again.")
                    return

    for section in ("site", "material", "roller", "truck", "strip"):
        look(file.raw.get(section, {}), (section,))
    for material, table in file.raw.get("material", {}).items():
        points = table.get("window_points")
        if points and max(map(abs, points)) < 0.5:
            wrong = "is narrower than any test can tell: it looks like fractions."
            file.warn(33, ("material", material, "window_points"), wrong, "Write points, for example [-2.0, 2.0].")


def _warn_of_far_test(file: ConfigFile, site: Site, reading: Reading) -> None:
    material = site.material(site.strip(reading.strip_id).material_id)
    low, high = material.omc_pct + material.window_low_pct, material.omc_pct + material.window_high_pct
    beyond = max(low - reading.w_pct, reading.w_pct - high)
    if beyond > FAR_OUTSIDE_PCT:
        file.warn(
            34,
            ("strip", reading.strip_id, "reading", "w_pct"),
            f"lies {beyond:.0f} points outside the window of {material.id} ({low:.1f} to {high:.1f} %).",
            "Look whether it is of this strip and material, and percent of dry mass.",
        )
