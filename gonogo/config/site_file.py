"""One file of config/sites: the site with its materials, machines, crews, strips and the strips' last readings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, time
from typing import Any, cast
from zoneinfo import ZoneInfo

from pydantic import TypeAdapter

from gonogo.config.acceptance import TABLE
from gonogo.config.crews import check_crews, read_crew, read_roller, read_truck
from gonogo.config.days_off import read_days_off
from gonogo.config.material_tables import MaterialTable
from gonogo.config.materials import read_material
from gonogo.config.settings import read_settings
from gonogo.config.strips import check_strips, read_reading
from gonogo.config.table import Table
from gonogo.config.tables import DAYS, SITE_SECTIONS, CrewTable, RollerTable, SiteTable, StripTable, TruckTable
from gonogo.config.toml_file import ConfigFile
from gonogo.config.usual import with_densities
from gonogo.config.values import Id, choose_from
from gonogo.config.vocabulary import Vocabulary
from gonogo.records.field import Reading
from gonogo.records.site import Material, Site, Strip, Surface

MOST_HOURS_FROM_SUN = 4.0  # no zone in use strays further from the sun (western China about 3.5 h): common knowledge

_ID: TypeAdapter[str] = TypeAdapter(Id)


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteFile:
    """What a site's file gave: site None where any fault stands; settings are those it sets itself."""

    site: Site | None
    readings: tuple[Reading, ...]
    settings: Mapping[str, float]


def read_site(file: ConfigFile, vocabulary: Vocabulary) -> SiteFile:
    """Return the site of a file; every fault of the file is noted on it."""
    file.read_id(_ID, file.path.stem, ("file name",))
    for name in file.raw:
        if name not in ("site", "settings", TABLE, *SITE_SECTIONS):
            remedy = choose_from(name, ("site", "settings", TABLE, *SITE_SECTIONS))
            file.add_fault((name,), "is no table of a site's file.", remedy)
    head = file.read(SiteTable, file.raw.get("site", {}), ("site",))
    if head is not None:
        _check_place_and_times(file, head)
    days_off = read_days_off(file, head) if head is not None else {}
    tables = {section: _read_section(file, section, model) for section, model in SITE_SECTIONS.items()}
    _check_references(file, vocabulary)
    materials = {
        i: read_material(file, i, cast(MaterialTable, t)) for i, t in tables["material"].items() if t is not None
    }
    given = {i: cast(StripTable, t) for i, t in tables["strip"].items() if t is not None}
    strips, assumed_densities = with_densities(given, materials)
    crews = {i: cast(CrewTable, t) for i, t in tables["crew"].items() if t is not None}
    check_crews(file, crews, {key: tables[key] for key in ("roller", "truck")}, head)
    at_work = {i: strip for i, strip in strips.items() if strip.ended is None}
    if strips and not at_work:
        right = "Add a strip, or take this file out of the folder sites."
        file.add_fault(("strip",), "holds ended strips alone.", right)
    check_strips(file, at_work, materials, crews, head.mixing_depth_m if head else None)
    readings = tuple(
        reading
        for i, strip in at_work.items()
        if strip.reading and head
        if (reading := read_reading(file, i, strip, materials.get(strip.material), ZoneInfo(head.zone), vocabulary))
    )
    settings = read_settings(file, "site")
    if file.faults or head is None:
        return SiteFile(site=None, readings=(), settings=settings)
    rollers = {i: read_roller(i, cast(RollerTable, t)) for i, t in tables["roller"].items()}
    trucks = {i: read_truck(i, cast(TruckTable, t)) for i, t in tables["truck"].items()}
    site = Site(
        id=file.path.stem,
        name=head.name,
        latitude_deg=head.latitude_deg,
        longitude_deg=head.longitude_deg,
        elevation_m=head.elevation_m,
        zone=ZoneInfo(head.zone),
        working_days=tuple(sorted({DAYS.index(day) for day in head.working_days})),
        shift_start=head.shift_start,
        shift_end=head.shift_end,
        mail_at=head.mail_at,
        deadline=head.deadline,
        **days_off,
        mixing_depth_m=head.mixing_depth_m,
        crews=tuple(read_crew(i, crew, rollers, trucks) for i, crew in crews.items()),
        materials=tuple(cast(Material, m) for m in materials.values()),
        strips=tuple(_strip(i, strip, i in assumed_densities) for i, strip in at_work.items()),
        ended=tuple(_strip(i, strip, i in assumed_densities) for i, strip in strips.items() if i not in at_work),
        recheck_at=tuple(sorted(set(head.recheck_at))),
        contract_station=head.contract_station or "",
        csv_encoding=head.csv_encoding,
        adverse_days=tuple(head.adverse_days),
    )
    return SiteFile(site=site, readings=readings, settings=settings)


def _read_section(file: ConfigFile, section: str, model: type[Table]) -> dict[str, Table | None]:
    """Return the tables of one kind by id; None for one with a fault."""
    raw = file.raw.get(section, {})
    if not isinstance(raw, dict) or any(not isinstance(table, dict) for table in raw.values()):
        file.add_fault((section,), "is not a set of named tables.", f"Write [{section}.name] with its keys below it.")
        return {}
    if not raw and section != "truck":
        file.add_fault((section,), "is missing.", f"Write at least one table [{section}.name].")
    tables: dict[str, Table | None] = {}
    folded: dict[str, str] = {}
    for name, table in raw.items():
        loc = (section, name)
        file.read_id(_ID, name, loc)
        if name.casefold() in folded:
            file.add_fault(loc, f"differs from {section}.{folded[name.casefold()]} only in capitals.", "Rename one.")
        folded.setdefault(name.casefold(), name)
        tables[name] = file.read(model, table, loc)
    return tables


def _check_references(file: ConfigFile, vocabulary: Vocabulary) -> None:
    """Add a fault for names that nothing answers to. Reads the raw tables, so that a fault beside one hides nothing."""

    def named(section: str) -> dict[str, dict[str, Any]]:
        raw = file.raw.get(section)
        return {i: t for i, t in raw.items() if isinstance(t, dict)} if isinstance(raw, dict) else {}

    for section, key, known in (
        ("crew", "roller", list(named("roller"))),
        ("crew", "truck", list(named("truck"))),
        ("crew", "language", list(vocabulary.languages)),
        ("strip", "crew", list(named("crew"))),
        ("strip", "material", list(named("material"))),
    ):
        for name, table in named(section).items():
            if isinstance(table.get(key), str) and table[key] not in known:
                what = "is no language of the mails." if key == "language" else f"is no {key} of this file."
                file.add_fault((section, name, key), what, choose_from(table[key], known))
    _check_method_rollers(file, named("material"), list(named("roller")))
    for name, crew in named("crew").items():
        people = crew.get("person")
        seen: set[tuple[str, str]] = set()
        for n, person in enumerate(people if isinstance(people, list) else []):
            if not isinstance(person, dict):
                continue
            loc = ("crew", name, "person", n)
            for key, words in (("role", vocabulary.roles), ("language", vocabulary.languages)):
                if isinstance(person.get(key), str) and person[key] not in words:
                    file.add_fault((*loc, key), f"is no {key} of the mails.", choose_from(person[key], words))
            mail = (str(person.get("address")).casefold(), str(person.get("role")))
            if mail in seen and "address" in person:
                file.add_fault((*loc, "address"), "would get the same mail twice.", "Delete one of the two people.")
            seen.add(mail)


def _check_place_and_times(file: ConfigFile, head: SiteTable) -> None:
    """Add a fault where zone and longitude, or the times of the day, contradict each other."""
    winter = datetime(2026, 1, 1, tzinfo=ZoneInfo(head.zone)).utcoffset()
    clock_h = winter.total_seconds() / 3600.0 if winter is not None else 0.0
    from_sun_h = abs((clock_h - head.longitude_deg / 15.0 + 12.0) % 24.0 - 12.0)
    if from_sun_h > MOST_HOURS_FROM_SUN:
        file.add_fault(
            ("site", "longitude_deg"),
            f"puts the clock of {head.zone} {from_sun_h:.0f} hours off the sun.",
            "East is positive, west is negative: check the sign, and that latitude and longitude are not exchanged.",
        )
    if head.shift_start == head.shift_end:
        file.add_fault(("site", "shift_end"), "equals shift_start.", 'Write the end of the shift, for example "17:30".')
    if not head.mail_at < head.deadline:
        file.add_fault(
            ("site", "deadline"),
            f"is not after mail_at = {head.mail_at:%H:%M}.",
            "Write the time of the same day after which the mail is of no more use.",
        )
    passes_midnight = head.shift_end <= head.shift_start
    for n, at in enumerate(head.recheck_at):
        if not head.mail_at < at or not (passes_midnight or at < head.shift_end):
            file.add_fault(
                ("site", "recheck_at", n),
                f"is not between mail_at = {head.mail_at:%H:%M} and shift_end = {head.shift_end:%H:%M}.",
                'Write times of the same day at which there is still work to be told about, for example ["09:00"].',
            )
    if time(0) != head.shift_start < head.mail_at:
        file.warn(20, ("site", "mail_at"), "lies after the start of the shift.", "Crews then begin without a verdict.")


# --- tables to records ---------------------------------------------------------------------------------------


def _check_method_rollers(file: ConfigFile, materials: Mapping[str, Mapping[str, Any]], rollers: list[str]) -> None:
    """Add a fault where the method of a material names a roller that is not in the file."""
    for material_id, table in materials.items():
        method = table.get("method_specification")
        named = method.get("rollers") if isinstance(method, dict) else None
        for roller in named if isinstance(named, list) else ():
            if isinstance(roller, str) and roller not in rollers:
                loc = ("material", material_id, "method_specification", "rollers")
                file.add_fault(loc, f"names {roller}, no roller of this file.", choose_from(roller, rollers))


def _strip(strip_id: str, table: StripTable, is_density_assumed: bool) -> Strip:
    return Strip(
        id=strip_id,
        name=table.name or strip_id,
        crew_id=table.crew,
        material_id=table.material,
        length_m=table.length_m,
        width_m=table.width_m,
        lift_thickness_m=table.lift_thickness_m,
        dry_density_kg_m3=table.dry_density_kg_m3,
        surface=Surface(table.surface),
        passes=table.passes,
        may_vibrate=table.may_vibrate,
        distance_to_structure_m=table.distance_to_structure_m,
        note=table.note,
        priority=table.priority,
        finish_by=table.finish_by,
        lifts=table.lifts,
        following_lift_thickness_m=table.following_lift_thickness_m,
        ground=table.ground,
        is_density_assumed=is_density_assumed,
        ended=table.ended,
    )
