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
        raise kind(f"{place}: the database refused: {cause_text}. Nothing of this step was stored.") from error


def _is_busy(cause: BaseException | None) -> bool:
    """Whether another's lock is all that stood in the way."""
    code = getattr(cause, "sqlite_errorcode", None)  # its low byte says what kind it is
    is_sqlite = isinstance(code, int) and code & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
    return is_sqlite or getattr(cause, "sqlstate", None) in BUSY_STATES
