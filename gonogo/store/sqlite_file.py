"""What SQLite must be told: each connection and each transaction of a file."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import time
from typing import Any

import sqlalchemy as sa

SQLITE_BUSY_TIMEOUT_MS = 10_000
WAL_TRIES = 200


def prepare(made: sa.Engine) -> None:
    """Let an engine make its file private, wait for its turn, and take the write lock at the start of what writes."""
    sa.event.listen(made, "do_connect", _make_private)
    sa.event.listen(made, "connect", _prepare_sqlite)
    sa.event.listen(made, "begin", _begin_sqlite)


def _make_private(_dialect: Any, _record: Any, arguments: Any, _named: Any) -> None:
    """Make a new database file readable to its owner alone: it will hold names, addresses and mails."""
    with contextlib.suppress(OSError):  # it is there, or cannot be made: SQLite says so better
        os.close(os.open(arguments[0], os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))


def _prepare_sqlite(connection: Any, _record: Any) -> None:
    """Set what SQLite must know on each connection; transactions are begun by _begin_sqlite alone."""
    connection.isolation_level = None
    connection.execute(f"PRAGMA busy_timeout={SQLITE_BUSY_TIMEOUT_MS}")
    for n_left in reversed(range(WAL_TRIES)):
        try:
            connection.execute("PRAGMA journal_mode=WAL")
            break
        except sqlite3.OperationalError as error:
            # Alone of all statements, this one does not wait for its turn where two processes meet at a new file.
            if n_left == 0 or "locked" not in str(error):
                raise
            time.sleep(SQLITE_BUSY_TIMEOUT_MS / 1000 / WAL_TRIES)
    # FULL: with less, a power cut could forget that a mail has gone, and it would go a second time.
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute("PRAGMA foreign_keys=ON")


def _begin_sqlite(connection: sa.Connection) -> None:
    """Take the write lock at the start: taken later, a read-then-write transaction would lose updates or fail."""
    reads_only = connection.get_execution_options().get("gonogo_reads_only", False)
    connection.exec_driver_sql("BEGIN" if reads_only else "BEGIN IMMEDIATE")
