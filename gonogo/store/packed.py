"""Old runs in small: verdicts and outlook of a run as one compressed text, which takes a tenth of their rows.

Nothing is rounded or left out: what comes back is what was packed, to the last digit.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import sqlalchemy as sa

from gonogo.errors import StoreError
from gonogo.records.verdict import Decision, OutlookDay
from gonogo.store import schema
from gonogo.store.encoding import decoded, encoded

LEVEL = 9  # of zlib: packed once and read seldom


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedRun:
    """What is kept of an old run, each in the order in which it was given."""

    decisions: tuple[Decision, ...] = ()
    outlook: tuple[OutlookDay, ...] = ()


def pack(connection: sa.Connection, run_id: int, kept: PackedRun) -> None:
    """Replace the rows of a run's verdicts and outlook by one packed row."""
    for table in (schema.verdict, schema.outlook_day):
        connection.execute(sa.delete(table).where(table.c.run_id == run_id))
    packed = zlib.compress(encoded(kept).encode("utf-8"), LEVEL)
    connection.execute(sa.insert(schema.packed_run).values(run_id=run_id, packed=packed))


def unpacked(connection: sa.Connection, run_id: int) -> PackedRun:
    """Return what was packed of a run, nothing where it has its rows still. Raises StoreError where it is broken."""
    row = schema.packed_run
    packed = connection.scalar(sa.select(row.c.packed).where(row.c.run_id == run_id))
    if packed is None:
        return PackedRun()
    try:
        text = zlib.decompress(packed).decode("utf-8")
    except (zlib.error, UnicodeDecodeError) as error:
        raise StoreError(f"What is kept of run {run_id} cannot be read: {error}. Restore it from a backup.") from error
    return decoded(text, PackedRun)
