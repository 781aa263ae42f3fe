"""Strips, people, machines and materials of a site as tables of a spreadsheet, beside the site's file.

sites/north.toml may be accompanied by sites/north/strips.csv, people.csv, machines.csv and materials.csv. Each line is
one table of the site's file: its columns are that table's keys (those of a table inside it with a dot: reading.w_pct),
or the same in another unit that the column names (length_ft). How such a file may be written: dialect.py.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gonogo.config import dialect
from gonogo.config.cells import ListColumn, columns_of, value_of
from gonogo.config.lines import Loc
from gonogo.config.material_tables import MaterialTable
from gonogo.config.tables import PersonTable, RollerTable, StripTable, TruckTable
from gonogo.config.text_file import UnreadableFileError, text_of
from gonogo.config.toml_file import ConfigFile
from gonogo.config.values import choose_from

STRIPS, PEOPLE, MACHINES, MATERIALS = "strips.csv", "people.csv", "machines.csv", "materials.csv"
SPREADSHEETS = (".csv", ".tsv", ".txt", ".xlsx", ".xls", ".ods")  # what a person may take for a list
MACHINE_KINDS = ("roller", "truck")
_TEXT = {name: ListColumn(header=name, path=(name,), type=str) for name in ("id", "crew", "kind")}


def columns_of_list(name: str) -> dict[str, ListColumn]:
    """Return the columns that a list may have, by their headers."""
    if name == PEOPLE:
        return {"crew": _TEXT["crew"], **columns_of(PersonTable)}
    if name == MACHINES:
        return {"kind": _TEXT["kind"], "id": _TEXT["id"], **columns_of(RollerTable), **columns_of(TruckTable)}
    return {"id": _TEXT["id"], **columns_of(StripTable if name == STRIPS else MaterialTable)}


LISTS: dict[str, tuple[str, ...]] = {  # columns that must be there
    MATERIALS: ("id",),
    MACHINES: ("kind", "id"),
    PEOPLE: ("crew",),
    STRIPS: ("id",),
}


def folder_of(site_file: Path) -> Path:
    """Return where the lists of a site stand."""
    return site_file.with_suffix("")


@dataclass(frozen=True, slots=True, kw_only=True)
class ListLine:
    """One line of a list: what stood in it by header, the table that it makes, and which header fills which key.

    refused   of keys whose cell is no value: what is wrong, what would be right
    """

    place: str
    texts: Mapping[str, str]
    raw: dict[str, Any]
    cells: Mapping[Loc, str]
    refused: Mapping[Loc, tuple[str, str]]


def with_lists(file: ConfigFile) -> ConfigFile:
    """Return a site's file with the lines of its lists added, each with its place; faults are noted on the file."""
    folder = folder_of(file.path)
    for path in sorted(folder.iterdir()) if folder.is_dir() else ():
        if path.name not in LISTS:
            if path.suffix.casefold() in SPREADSHEETS:
                right = f"{choose_from(path.with_suffix('.csv').name.casefold(), list(LISTS))} A spreadsheet saves CSV."
                file.warn_at(35, str(path), "file", "is no list that is read here.", right)
            continue
        for line in _lines(file, path):
            _add(file, path.name, line)
    return file


def _add(file: ConfigFile, name: str, line: ListLine) -> None:
    """Put a line where its table would stand in the TOML, unless one of its name stands there."""
    if name == PEOPLE:
        _add_person(file, line)
        return
    section = {STRIPS: "strip", MATERIALS: "material"}.get(name) or line.texts["kind"].casefold()
    if section not in (*MACHINE_KINDS, "strip", "material"):
        right = choose_from(section, list(MACHINE_KINDS))
        file.fault_at(f"{line.place}, column kind", "kind", line.texts["kind"], "is no kind of machine.", right)
        return
    table = file.raw.setdefault(section, {})
    if not isinstance(table, dict):
        return  # a fault of the TOML that is noted where the section is read
    loc, own_id = (section, line.texts["id"]), line.texts["id"]
    if own_id in table:
        stood = file.place(loc)
        file.fault_at(f"{line.place}, column id", ".".join(loc), own_id, f"stands in {stood} too.", "Delete one.")
        return
    table[own_id] = line.raw
    _place(file, loc, line)


def _add_person(file: ConfigFile, line: ListLine) -> None:
    crews = file.raw.get("crew")
    crew_id = line.texts["crew"]
    crew = crews.get(crew_id) if isinstance(crews, dict) else None
    if not isinstance(crew, dict) or not isinstance(crew.get("person", []), list):
        known = list(crews) if isinstance(crews, dict) else []
        right = choose_from(crew_id, known)
        file.fault_at(f"{line.place}, column crew", "crew", crew_id, "is no crew of the site's file.", right)
        return
    people = crew.setdefault("person", [])
    people.append(line.raw)
    _place(file, ("crew", crew_id, "person", len(people) - 1), line)


def _place(file: ConfigFile, loc: Loc, line: ListLine) -> None:
    file.stands_at(loc, line.place)
    for inner, header in line.cells.items():
        file.stands_at((*loc, *inner), f"{line.place}, column {header}", line.texts[header])
        if inner in line.refused:
            file.refuse((*loc, *inner), *line.refused[inner])


def _lines(file: ConfigFile, path: Path) -> Iterator[ListLine]:
    """Yield the lines of a list that hold anything."""
    try:
        rows = read_rows(text_of(path))
    except UnreadableFileError as error:
        place = f"{path}:{error.line}" if error.line else str(path)
        file.fault_at(place, "file", "", error.wrong, error.right)
        return
    known, needed = columns_of_list(path.name), LISTS[path.name]
    if not _accepts_header(file, path, rows.header, known, needed):
        return
    for number, texts in rows.lines:
        place = f"{path}:{number}"
        raw: dict[str, Any] = {}
        cells: dict[Loc, str] = {}
        refused: dict[Loc, tuple[str, str]] = {}
        for header, text in texts.items():
            if header in needed or not text:
                continue
            column = known[header]
            cells[column.path] = header
            value = value_of(column, text)
            if isinstance(value, tuple):
                refused[column.path] = value
            else:
                _put(raw, column.path, value)
        lacking = [key for key in needed if not texts.get(key)]
        for key in lacking:
            file.fault_at(f"{place}, column {key}", key, "", "is empty.", "Each line needs one.")
        if not lacking:
            yield ListLine(place=place, texts=texts, raw=raw, cells=cells, refused=refused)


def _accepts_header(
    file: ConfigFile, path: Path, header: list[str], known: Mapping[str, ListColumn], needed: tuple[str, ...]
) -> bool:
    """Return whether the columns of a list can be read; note each that cannot."""
    n_before = len(file.faults)
    place = f"{path}:1"
    for name in dict.fromkeys(header):
        if name not in known:
            file.fault_at(f"{place}, column {name}", "header", name, "is no column of this list.", _column(name, known))
        elif header.count(name) > 1:
            file.fault_at(f"{place}, column {name}", "header", name, "stands there twice.", "Delete one.")
    filled: dict[tuple[str, ...], str] = {}
    for name in dict.fromkeys(name for name in header if name in known):
        other = filled.setdefault(known[name].path, name)
        if other != name:
            file.fault_at(f"{place}, column {name}", "header", name, f"says the same as {other}.", "Delete one.")
    for key in needed:
        if key not in header:
            file.fault_at(place, "header", ",".join(header), f"has no column `{key}`.", "The first line names columns.")
    return len(file.faults) == n_before


def _column(name: str, known: Mapping[str, ListColumn]) -> str:
    return choose_from(name, [header for header, column in known.items() if column.per_unit == 1.0])


def _put(raw: dict[str, Any], path: tuple[str, ...], value: Any) -> None:
    for part in path[:-1]:
        raw = raw.setdefault(part, {})
    raw[path[-1]] = value


# --- the file as rows ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """A list as it is written: its columns, and each line that holds anything with its number, cells made plain."""

    header: list[str]
    lines: tuple[tuple[int, dict[str, str]], ...]
    written: dialect.Dialect


def read_rows(text: str) -> Rows:
    """Return the rows of a CSV text. Raises UnreadableFileError for anything else."""
    text = text.removeprefix("\ufeff")
    separator = dialect.separator_of(text)
    reader = csv.reader(io.StringIO(text), delimiter=separator, strict=True)
    lines: list[tuple[int, dict[str, str]]] = []
    try:
        header, written = dialect.named([name.strip() for name in next(reader, [])], separator)
        while header and not header[-1]:
            header.pop()  # a spreadsheet writes empty columns to the right
        for cells in reader:
            cells = [cell.strip() for cell in cells]
            if not any(cells):
                continue
            if any(cells[len(header) :]):
                right = "Write one value per column; text that holds the separator stands in quotes."
                raise UnreadableFileError("has more values than columns.", right, reader.line_num)
            plain = {name: written.plain(name, cell).strip() for name, cell in zip(header, cells, strict=False)}
            lines.append((reader.line_num, plain))
    except csv.Error as error:
        wrong, right = f"is no row of a CSV: {error}.", "Write one line per row, a quote at both ends or at none."
        raise UnreadableFileError(wrong, right, reader.line_num) from error
    return Rows(header=header, lines=tuple(lines), written=written)
