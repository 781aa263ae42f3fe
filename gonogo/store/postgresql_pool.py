"""Connections to PostgreSQL: how they are made, and that none is used that was lost while it lay idle."""

from __future__ import annotations

import time
from typing import Any

import sqlalchemy as sa

# As with SQLite: who waits longer for another's lock has a StoreBusyError and tries again.
LOCK_TIMEOUT_MS = 10_000
# A process of ours that is stopped in the middle of a transaction must not hold up the others.
IDLE_TIMEOUT_MS = 120_000
CONNECT_TIMEOUT_S = 10
# One that was used so shortly before is used without asking whether it lives: a question for each transaction is a
# tenth of what a run asks of the database. One that was lost meanwhile is a fault of the database as at any other line.
ASKED_AFTER_S = 1.0
_USED = "gonogo_used_s"


def options(parsed: sa.URL) -> dict[str, Any]:
    """Return what the driver is told of each connection, nothing where the URL has options of its own."""
    if "options" in parsed.query:
        return {}
    return {
        "options": f"-c lock_timeout={LOCK_TIMEOUT_MS:.0f} -c idle_in_transaction_session_timeout={IDLE_TIMEOUT_MS}",
        "connect_timeout": CONNECT_TIMEOUT_S,
    }


def prepare(made: sa.Engine) -> None:
    """Have each connection of an engine asked whether it lives before it is used after a pause."""

    def note(_driver: Any, record: Any) -> None:
        record.info[_USED] = time.monotonic()

    def ask(driver: Any, record: Any, _proxy: Any) -> None:
        if time.monotonic() - record.info.get(_USED, time.monotonic()) < ASKED_AFTER_S:
            return
        try:
            is_alive = made.dialect.do_ping(driver)
        except made.dialect.loaded_dbapi.Error as error:
            if not made.dialect.is_disconnect(error, driver, None):
                raise
            is_alive = False
        if not is_alive:
            raise sa.exc.InvalidatePoolError  # the others that lay idle as well are made anew

    sa.event.listen(made, "checkin", note)
    sa.event.listen(made, "checkout", ask)
