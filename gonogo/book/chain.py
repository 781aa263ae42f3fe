"""Tamper evidence: each row of an exported table carries a hash over itself and all rows before it.

A digit altered, a row taken out, put in or moved breaks the chain at that row; the last hash of each table stands in
the package's description, so that rows cut off at the end are found out as well. Whoever can write the whole folder
again can also write a new chain: so put the description's own hash into other hands (a signed letter, a mail).
"""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Sequence
from pathlib import Path

from gonogo.errors import GonogoError

HASH_COLUMN = "row_sha256"
START = "0" * 64


def next_hash(before: str, cells: Sequence[str]) -> str:
    """Return the hash of a row: SHA-256 over the hash of the row before and the cells, each with its length in front.

    The length keeps ("ab", "c") and ("a", "bc") apart.
    """
    digest = hashlib.sha256(before.encode("ascii"))
    for cell in cells:
        data = cell.encode("utf-8")
        digest.update(f"{len(data)}:".encode("ascii"))
        digest.update(data)
    return digest.hexdigest()


def first_fault(path: Path, last_hash: str) -> str:
    """Return where a table's chain breaks, "" where it holds to its end.

    last_hash   as the package's description gives it

    Raises GonogoError where the file cannot be read as such a table.
    """
    try:
        with path.open(encoding="utf-8", newline="") as file:
            rows = csv.reader(file, strict=True)
            header = next(rows, [])
            if not header or header[-1] != HASH_COLUMN:
                raise GonogoError(
                    f"{path}: line 1: its last column is not {HASH_COLUMN}. Only an exported table has it."
                )
            before = next_hash(START, header[:-1])
            for row in rows:
                before = next_hash(before, row[:-1])
                if row[-1:] != [before]:
                    return f"{path.name}: line {rows.line_num}: this row or one before it is not what was exported."
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise GonogoError(f"{path}: cannot be read: {error}. Export the diary again.") from error
    return "" if before == last_hash else f"{path.name}: rows are missing at the end, or datapackage.json was altered."
