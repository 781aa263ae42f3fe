"""Which soil class a material has: as it is written, or by what the laboratory reports."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

from gonogo.config.lines import Loc
from gonogo.config.material_tables import LaboratoryTable, MaterialTable
from gonogo.config.toml_file import ConfigFile
from gonogo.config.values import choose_from
from gonogo.errors import SoilError
from gonogo.soil.classes import SOIL_CLASSES
from gonogo.soil.groups import UNIFIED, Laboratory, aashto_group, group_row, unified_symbol


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassOfSoil:
    """A soil class, and the group that it follows from: "" where the config names the class itself.

    textures   what a published table pairs with the group; "" where none does
    """

    name: str
    group: str = ""
    textures: str = ""


def read_soil_class(file: ConfigFile, loc: Loc, table: MaterialTable) -> ClassOfSoil | None:
    """Return the soil class of a material, None after noting a fault.

    The class itself leads, then sieves and limits, then a Unified symbol, then an AASHTO group.
    """
    found = None if table.laboratory is None else _by_laboratory(file, (*loc, "laboratory"), table.laboratory)
    if table.soil_class is not None:
        if table.soil_class in SOIL_CLASSES:
            return ClassOfSoil(name=table.soil_class)
        file.add_fault((*loc, "soil_class"), "is no soil class.", choose_from(table.soil_class, list(SOIL_CLASSES)))
        return None
    if table.laboratory is not None:
        return found
    for key, symbol in (("uscs", table.uscs), ("aashto", table.aashto)):
        if symbol is not None:
            return _by_symbol(file, (*loc, key), symbol, key)
    file.add_fault(
        (*loc, "soil_class"),
        "is missing.",
        'Write one of: soil_class = "clay", uscs = "CL", aashto = "A-6", or a table laboratory with sieves and limits.',
    )
    return None


def _by_symbol(file: ConfigFile, loc: Loc, symbol: str, key: str) -> ClassOfSoil | None:
    is_aashto = symbol.strip().upper().startswith("A-")
    try:
        if is_aashto != (key == "aashto"):
            raise SoilError("no group symbol of ASTM D2487." if is_aashto else "no group of AASHTO M 145.")
        row = group_row(symbol)
    except SoilError as error:
        known = [*UNIFIED, "SP-SM"] if key == "uscs" else ["A-1-b", "A-2-4", "A-4", "A-6", "A-7-6"]
        right = f'Write the laboratory\'s symbol, for example {key} = "{known[-2]}", or soil_class = "clay".'
        file.add_fault(loc, f"has no soil class: {error}", right)
        return None
    group = f"{'USCS' if key == 'uscs' else 'AASHTO'} {symbol.strip()}"
    return ClassOfSoil(name=row.soil_class, group=group, textures=row.textures)


def _by_laboratory(file: ConfigFile, loc: Loc, table: LaboratoryTable) -> ClassOfSoil | None:
    """Return the class by sieves and limits; the Unified symbol decides, the AASHTO group stands beside it."""
    n_before = len(file.faults)
    passing = ("passing_4_75mm_pct", "passing_2mm_pct", "passing_0_425mm_pct", "passing_0_075mm_pct")
    _check_order(file, loc, table, passing, "more than", "A finer sieve lets less through.")
    _check_order(file, loc, table, ("d60_mm", "d30_mm", "d10_mm"), "more than", "Fewer percent are finer than it.")
    limit, plastic = table.liquid_limit_pct, table.plastic_limit_pct
    if math.isnan(limit) != math.isnan(plastic):
        lacking = "liquid_limit_pct" if math.isnan(limit) else "plastic_limit_pct"
        file.add_fault((*loc, lacking), "is missing: the limits belong together.", "Write both, or neither.")
    elif not math.isnan(limit) and not table.is_plastic:
        file.add_fault((*loc, "is_plastic"), "stands beside limits, which only plastic soil has.", "Delete one.")
    elif not math.isnan(limit) and plastic > limit:
        file.add_fault((*loc, "plastic_limit_pct"), f"is above the liquid limit {limit:g}.", "Exchange the two.")
    elif math.isnan(limit) and table.is_plastic and table.passing_0_075mm_pct >= 5.0:
        right = "Write liquid_limit_pct and plastic_limit_pct, or is_plastic = false where the report says NP."
        file.add_fault((*loc, "liquid_limit_pct"), "is missing: this soil has fines that decide.", right)
    if len(file.faults) > n_before:
        return None
    soil = Laboratory(**table.model_dump(exclude={"is_plastic"}))
    symbol = unified_symbol(soil)
    row = group_row(symbol)
    beside = aashto_group(soil)
    return ClassOfSoil(
        name=row.soil_class, group=f"USCS {symbol}{f', AASHTO {beside}' if beside else ''}", textures=row.textures
    )


def _check_order(
    file: ConfigFile, loc: Loc, table: LaboratoryTable, keys: tuple[str, ...], wrong: str, right: str
) -> None:
    """Add a fault where a value is above the one before it that is known."""
    known = [(key, value) for key in keys if not math.isnan(value := getattr(table, key))]
    for (above, more), (key, value) in itertools.pairwise(known):
        if value > more:
            file.add_fault((*loc, key), f"is {wrong} {above} = {more:g}.", right)
