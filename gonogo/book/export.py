"""The book as a folder: one CSV a table with a chain of hashes, described by a data package; and its check.

The description is a Data Package with Table Schemas (the open specifications of Frictionless Data), so that a
spreadsheet, a database or a contract's archive can read columns, types and units without a word from us.
"""

from __future__ import annotations

import csv
import hashlib
import json
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from gonogo import __version__
from gonogo.book.chain import HASH_COLUMN, START, first_fault, next_hash
from gonogo.book.tables import TABLES, Described, Row, cells, columns
from gonogo.errors import GonogoError
from gonogo.records.site import Site

DESCRIPTION = "datapackage.json"
NOT_THE_STATION = (
    "Values of a forecast, of the moisture model and of a weather service's later account are computed for the site's "
    "place. They are not readings of the weather station that a contract may name; those stand in the station_ columns "
    "where they were imported, and nowhere else."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Covered:
    """What an export covers: local dates of a site, both ends included."""

    site: Site
    first: date
    last: date


class TableFile:
    """One table on its way to a file: each row is written as it comes, with the hash of all rows so far."""

    def __init__(self, folder: Path, name: str) -> None:
        self.name, self.path = name, folder / f"{name}.csv"
        self.n_rows = 0
        kind = TABLES[name]
        header = [found.name for found in columns(kind)]
        self.last_hash = next_hash(START, header)
        self._file = self.path.open("w", encoding="utf-8", newline="")
        self._writer = csv.writer(self._file, lineterminator="\n")
        self._writer.writerow([*header, HASH_COLUMN])

    def add(self, rows: Iterable[Row]) -> None:
        """Write rows of this table."""
        for row in rows:
            own = cells(row)
            self.last_hash = next_hash(self.last_hash, own)
            self._writer.writerow([*own, self.last_hash])
            self.n_rows += 1

    def close(self) -> None:
        self._file.close()


@contextmanager
def table_files(folder: Path) -> Iterator[dict[str, TableFile]]:
    """Give a file for each table of the book, closed at the end of the block."""
    files: dict[str, TableFile] = {}
    try:
        for name in TABLES:
            files[name] = TableFile(folder, name)
        yield files
    finally:
        for file in files.values():
            file.close()


def described(
    span: Covered, tables: Iterable[TableFile], others: Iterable[Path], *, made_utc: datetime
) -> dict[str, Any]:
    """Return the data package of a folder, with the last hash of each table and the hash of each other file.

    made_utc   when it was made
    """
    name = f"site-book-{span.site.id}-{span.first}-{span.last}"
    return {
        "name": "".join(c if c.isalnum() or c in "-._" else "-" for c in name.lower()),
        "title": f"{span.site.name}: what was told, done, measured and lost to weather, {span.first} to {span.last}",
        "description": NOT_THE_STATION,
        "created": f"{made_utc:%Y-%m-%dT%H:%M:%SZ}",
        "version": f"gonogo {__version__}",
        "site": {"id": span.site.id, "name": span.site.name, "time_zone": span.site.zone.key},
        "resources": [*(_resource(table) for table in tables), *(_file(path) for path in others)],
    }


def _resource(table: TableFile) -> dict[str, Any]:
    """One table of the package."""
    schema_fields = [_field(found) for found in columns(TABLES[table.name])]
    hashed = {"name": HASH_COLUMN, "type": "string", "description": "SHA-256 over this row and all rows before it"}
    required = {"required": True, "pattern": "[0-9a-f]{64}"}
    return {
        "name": table.name.replace("_", "-"),
        "path": table.path.name,
        "profile": "tabular-data-resource",
        "title": (TABLES[table.name].__doc__ or "").split("\n")[0].rstrip("."),
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "schema": {"fields": [*schema_fields, {**hashed, "constraints": required}], "missingValues": [""]},
        "rows": table.n_rows,
        "last_row_sha256": table.last_hash,
    }


def _file(path: Path) -> dict[str, Any]:
    """A file of the package that is no table."""
    data = path.read_bytes()
    return {
        "name": path.name.replace(".", "-"),
        "path": path.name,
        "format": path.suffix.removeprefix("."),
        "bytes": len(data),
        "hash": f"sha256:{hashlib.sha256(data).hexdigest()}",
    }


def _field(found: Described) -> dict[str, Any]:
    described: dict[str, Any] = {"name": found.name, "type": found.type, "description": found.column.says}
    if found.type == "datetime":
        described["format"] = "%Y-%m-%dT%H:%M:%SZ"
    if found.column.unit:
        described["unit"] = found.column.unit
    if not found.may_be_empty and found.type != "string":  # an empty text is a text
        described["constraints"] = {"required": True}
    return described


def write_description(folder: Path, package: dict[str, Any]) -> str:
    """Write the description of a folder, last, and return its SHA-256: the one number that vouches for all of it."""
    text = json.dumps(package, ensure_ascii=False, indent=2) + "\n"
    (folder / DESCRIPTION).write_text(text, encoding="utf-8")
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def verified(folder: Path) -> tuple[tuple[str, ...], str]:
    """Return what is wrong with an exported folder, each fault as a line, and the SHA-256 of its description.

    Raises GonogoError where there is no readable description.
    """
    path = folder / DESCRIPTION
    try:
        text = path.read_text(encoding="utf-8")
        resources = [(Path(str(found["path"])).name, found) for found in json.loads(text)["resources"]]
        tables = {name: str(found["last_row_sha256"]) for name, found in resources if "last_row_sha256" in found}
        others = {name: str(found["hash"]) for name, found in resources if name not in tables}
    except OSError as error:
        raise GonogoError(
            f"{path} cannot be read: {error.strerror}. Name a folder that `gonogo diary` wrote."
        ) from error
    except (ValueError, KeyError, TypeError) as error:
        raise GonogoError(f"{path}: no description of a diary ({error}). Export the diary again.") from error
    missing = sorted({f"{name}.csv" for name in TABLES} - set(tables))
    faults = [f"{DESCRIPTION}: {name} is not described." for name in missing]
    faults += [fault for name, last_hash in tables.items() if (fault := first_fault(folder / name, last_hash))]
    faults += [f"{name}: is not what was exported." for name, known in others.items() if _hash(folder / name) != known]
    return tuple(faults), hashlib.sha256(text.encode("utf-8")).hexdigest()


def _hash(path: Path) -> str:
    """The hash of a file as the description writes it, "" where it cannot be read."""
    try:
        return str(_file(path)["hash"])
    except OSError:
        return ""
