"""What holds for strips only as a whole: lift against mixing depth, crew with truck, density and reading in physics."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC
from zoneinfo import ZoneInfo

from gonogo.config.lines import Loc
from gonogo.config.readings import impossible
from gonogo.config.tables import CrewTable, StripTable
from gonogo.config.toml_file import ConfigFile
from gonogo.config.values import choose_from, clock_change
from gonogo.config.vocabulary import Vocabulary
from gonogo.errors import SoilError
from gonogo.records.field import Reading
from gonogo.records.ranges import FIRST_YEAR, LAST_YEAR
from gonogo.records.site import Material
from gonogo.soil.compaction import porosity, relative_compaction_pct
from gonogo.times import occurrences_utc


def check_strips(
    file: ConfigFile,
    strips: Mapping[str, StripTable],
    materials: Mapping[str, Material | None],
    crews: Mapping[str, CrewTable],
    mixing_depth_m: float | None,
) -> None:
    """Add faults for impossible lifts; warn of crews and lifts that water does not reach."""
    for strip_id, strip in strips.items():
        loc: Loc = ("strip", strip_id)
        material = materials.get(strip.material)
        if material is not None:
            _check_density(file, loc, strip, material)
        _check_following(file, loc, strip, mixing_depth_m)
        if mixing_depth_m is not None and strip.lift_thickness_m > mixing_depth_m + 1e-9:
            file.warn(
                21,
                (*loc, "lift_thickness_m"),
                f"is more than site.mixing_depth_m = {mixing_depth_m:g}: water does not reach the bottom of the lift.",
                "Spread thinner, mix deeper, or expect a dry base.",
            )
    for crew_id, crew in crews.items():
        own = [i for i, strip in strips.items() if strip.crew == crew_id]
        if not own:
            file.warn(22, ("crew", crew_id), "has no strip.", "Nobody of it gets a mail until a strip names it.")
        elif crew.truck is None and crew.trucks is None:
            file.warn(
                23,
                ("crew", crew_id, "truck"),
                f"is missing: a strip of this crew that is too dry ({', '.join(own)}) can only wait.",
                "Name a truck of this file where the crew has one.",
            )


def _check_following(file: ConfigFile, loc: Loc, strip: StripTable, mixing_depth_m: float | None) -> None:
    """Add a fault for a finishing date in no year of this century; warn of later lifts that are too thick to mix."""
    if strip.finish_by is not None and not FIRST_YEAR <= strip.finish_by.year <= LAST_YEAR:
        file.add_fault((*loc, "finish_by"), "lies in no year of this century.", "Write, for example, 2026-05-22.")
    if strip.following_lift_thickness_m is None:
        return
    key = (*loc, "following_lift_thickness_m")
    if strip.lifts == 1:
        file.warn(
            24, key, "has no meaning: lifts = 1.", "Write how many lifts there are in all, for example lifts = 3."
        )
    elif mixing_depth_m is not None and strip.following_lift_thickness_m > mixing_depth_m + 1e-9:
        file.warn(
            25,
            key,
            f"is more than site.mixing_depth_m = {mixing_depth_m:g}: water does not reach the bottom of those lifts.",
            "Spread thinner, mix deeper, or expect a dry base.",
        )


def _check_density(file: ConfigFile, loc: Loc, strip: StripTable, material: Material) -> None:
    """Add a fault for a lift denser than its laboratory maximum allows."""
    try:
        relative_compaction_pct(strip.dry_density_kg_m3, material.mdd_kg_m3)
    except SoilError as error:
        file.add_fault(
            (*loc, "dry_density_kg_m3"),
            f"does not go with material.{material.id}: {error}",
            "Write the dry density of the lift as it lies; loose fill has about 75 to 90 % of the maximum.",
        )
        return
    pores = float(porosity(strip.dry_density_kg_m3, material.specific_gravity))
    if not material.theta_fc < pores:
        file.add_fault(
            (*loc, "dry_density_kg_m3"),
            f"leaves pores of {pores:.2f} m3/m3, not more than the field capacity {material.theta_fc:g} of "
            f"material.{material.id}.",
            "Check dry_density_kg_m3, or give the material its own theta_fc.",
        )


def read_reading(
    file: ConfigFile, strip_id: str, strip: StripTable, material: Material | None, zone: ZoneInfo, words: Vocabulary
) -> Reading | None:
    """Return a strip's last reading, or None after noting its faults. A time without offset is the site's own."""
    table, loc = strip.reading, ("strip", strip_id, "reading")
    if table is None:
        return None
    n_before = len(file.faults)
    if table.method not in words.methods:
        file.add_fault((*loc, "method"), "is no moisture test known here.", choose_from(table.method, words.methods))
    if not FIRST_YEAR <= table.at.year <= LAST_YEAR:
        file.add_fault(
            (*loc, "at"), "lies in no year of this century.", "Write, for example, at = 2026-05-11 15:30:00."
        )
        return None
    if material is not None:
        refused = impossible(
            table.w_pct,
            method=table.method,
            dry_density_kg_m3=table.dry_density_kg_m3,
            as_spread_kg_m3=strip.dry_density_kg_m3,
            material=material,
        )
        if refused is not None:
            key, wrong, right = refused
            file.add_fault((*loc, key), wrong, right)
    moments = occurrences_utc(table.at, zone) if table.at.tzinfo is None else (table.at.astimezone(UTC),)
    if len(moments) != 1:
        file.add_fault((*loc, "at"), *clock_change(table.at, moments, zone))
    if len(file.faults) > n_before:
        return None
    return Reading(
        strip_id=strip_id,
        at_utc=moments[0],
        w_pct=table.w_pct,
        method=table.method,
        dry_density_kg_m3=table.dry_density_kg_m3,
        depth_mm=table.depth_mm,
    )
