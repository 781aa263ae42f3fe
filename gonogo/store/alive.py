"""Signs of life on PostgreSQL: a lock that a session holds, and that the database lets go when the session ends.

A process that dies, or a machine that is gone, ends its session; whoever looks sees at once that nobody holds the lock
of that name any more. On SQLite all processes are on one machine, and the process table says it (store/owner.py).
"""

from __future__ import annotations

import contextlib
import hashlib
import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import sqlalchemy as sa
from sqlalchemy.exc import SQLAlchemyError

from gonogo.errors import StoreError
from gonogo.store import owner, schema
from gonogo.store.owner import IsDead
from gonogo.store.refusal import translated

log = logging.getLogger("gonogo.store.alive")

MAILS, RUNS = "gonogo_mails", "gonogo_runs"  # what is told of: mails put into the outbox, runs planned or given back
WATCHED = "w"  # with this the last part of a name begins whose bearer holds a lock
# A machine that loses its power says nothing: the database asks it after so many silent seconds, and gives it up.
KEEPALIVE = "set tcp_keepalives_idle = 10; set tcp_keepalives_interval = 5; set tcp_keepalives_count = 3"
LISTENED_S = 1.0  # between two looks whether the session is alive, and whether this is to end
_HELD = sa.text(
    "select classid::bigint, objid::bigint from pg_locks where locktype = 'advisory' and objsubid = 1 and granted"
    " and database = (select oid from pg_database where datname = current_database())"
)


def lock_number(name: str) -> int:
    """Return the number of the lock that the bearer of a name holds: signed, 64 bits."""
    return int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big", signed=True)


def held_numbers(connection: sa.Connection) -> frozenset[int]:
    """Return the numbers of all such locks that are held now. PostgreSQL only."""
    found = (int(high) << 32 | int(low) for high, low in connection.execute(_HELD))
    return frozenset(number - 2**64 if number >= 2**63 else number for number in found)


def is_gone(connection: sa.Connection) -> IsDead:
    """Return what says of a name whether its bearer held a lock and holds it no more; never on SQLite."""
    if connection.dialect.name != "postgresql":
        return lambda _: False
    held = held_numbers(connection)
    return lambda name: name.rpartition(":")[2].startswith(WATCHED) and lock_number(name) not in held


def is_dead(store: sa.Engine) -> IsDead:
    """Return what says of a name whether its bearer is dead for certain, on this machine or another."""
    with schema.read(store) as connection:
        gone = is_gone(connection)
    return lambda name: owner.is_dead(name) or gone(name)


def tell(connection: sa.Connection, channel: str) -> None:
    """Wake whoever listens, once the transaction is committed; nothing on SQLite."""
    if connection.dialect.name == "postgresql":
        connection.execute(sa.text("select pg_notify(:channel, '')"), {"channel": channel})


class SignOfLife:
    """The lock of a process, and its ear for what others tell. Does nothing on SQLite.

    name   of the process, as its claims and leases carry it; one that no other process has
    """

    def __init__(self, store: sa.Engine, heard: Callable[[str], None] | None = None) -> None:
        """Take the lock. heard: called in a thread with MAILS or RUNS. Raises StoreError."""
        self._store, self._heard = store, heard
        self._is_ended = threading.Event()
        self.is_kept = store.dialect.name == "postgresql"
        self.name = owner.own_name(WATCHED if self.is_kept else "")
        self._driver: Any = None
        self._connection: sa.Connection | None = self._opened() if self.is_kept else None
        self._thread = threading.Thread(target=self._keep, daemon=True, name="gonogo-alive")
        if self.is_kept:
            self._thread.start()

    def end(self) -> None:
        """Let the lock go."""
        self._is_ended.set()
        if self.is_kept:
            self._thread.join(10.0 * LISTENED_S)

    def _opened(self) -> sa.Connection:
        """Return a session that holds the lock. Raises StoreError."""
        with translated(self._store):
            connection = self._store.connect().execution_options(isolation_level="AUTOCOMMIT")
            self._driver = connection.connection.driver_connection
            connection.detach()  # of no pool: it lives as long as this does
            try:
                connection.exec_driver_sql(KEEPALIVE)
                connection.execute(sa.text("select pg_advisory_lock(:number)"), {"number": lock_number(self.name)})
                if self._heard is not None:
                    for channel in (MAILS, RUNS):
                        connection.exec_driver_sql(f"listen {channel}")
            except SQLAlchemyError:
                self._driver.close()
                raise
            return connection

    def _keep(self) -> None:
        """Listen, and take the lock again where the session was lost, until this ends."""
        while not self._is_ended.is_set():
            try:
                if self._connection is None:
                    self._connection = self._opened()
                    log.warning("the sign of life was lost and is given again")
                with translated(self._store):
                    self._listen(self._connection)
            except StoreError as error:
                log.error("the sign of life cannot be given now: %s", error)
                self._close()
                self._is_ended.wait(LISTENED_S)
        self._close()

    def _listen(self, connection: sa.Connection) -> None:
        """Hear what comes for a moment, and ask whether the session is alive."""
        with _translated_driver():
            for note in self._driver.notifies(timeout=LISTENED_S, stop_after=1):
                if self._heard is not None:
                    self._heard(note.channel)
        connection.execute(sa.text("select 1"))

    def _close(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            with contextlib.suppress(SQLAlchemyError):  # whatever a lost session says at its end
                connection.close()
            self._driver.close()


@contextmanager
def _translated_driver() -> Iterator[None]:
    """Turn faults of the driver itself, which SQLAlchemy does not see, into StoreError."""
    import psycopg

    try:
        yield
    except psycopg.Error as error:
        raise StoreError(f"the session of the sign of life was lost: {str(error).splitlines()[0]}") from error
