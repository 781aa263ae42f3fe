"""What a database refuses, in our words: without the values that were being stored, and with locks told apart."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from gonogo.errors import StoreBusyError, StoreError

# lock_not_available, deadlock_detected, serialization_failure: PostgreSQL, appendix A
BUSY_STATES = frozenset({"55P03", "40P01", "40001"})

_NOT_WRITABLE = "The user that gonogo runs as must be able to write this file and its folder. "
SQLITE_RIGHT = {  # what would be right, where it is not for the reader of the log to guess
    sqlite3.SQLITE_FULL: "Make room on its disk. ",
    sqlite3.SQLITE_READONLY: _NOT_WRITABLE,
    sqlite3.SQLITE_CANTOPEN: _NOT_WRITABLE,
}


@contextmanager
def translated(store: sa.Engine) -> Iterator[None]:
    """Turn every fault of the database library inside the block into a StoreError."""
    try:
        yield
    except SQLAlchemyError as error:
        # Only the driver's first line: what follows may quote the row, with addresses.
        cause = error.orig if isinstance(error, DBAPIError) else error
        lines = str(cause).splitlines()
        cause_text = (lines[0] if lines else type(cause).__name__).rstrip(".")
        place = store.url.render_as_string(hide_password=True)
        kind = StoreBusyError if _is_busy(cause) else StoreError
        right = SQLITE_RIGHT.get(_sqlite_kind(cause) or 0, "")
        raise kind(f"{place}: the database refused: {cause_text}. {right}Nothing of this step was stored.") from error


def _is_busy(cause: BaseException | None) -> bool:
    """Whether another's lock is all that stood in the way."""
    is_sqlite = _sqlite_kind(cause) in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
    return is_sqlite or getattr(cause, "sqlstate", None) in BUSY_STATES


def _sqlite_kind(cause: BaseException | None) -> int | None:
    """Return what kind of fault SQLite met, None where it is not SQLite's: the low byte of its error code."""
    code = getattr(cause, "sqlite_errorcode", None)
    return code & 0xFF if isinstance(code, int) else None
