"""Bring a database to the schema that this program knows: from nothing, or from any earlier version."""

from __future__ import annotations

import importlib

import sqlalchemy as sa

from gonogo.store import schema

NEWEST = "0013"  # of the steps in migrations/versions
VERSION_TABLE = "gonogo_version"
# Any fixed number: two services that start at once on PostgreSQL must upgrade one after the other.
_UPGRADE_LOCK = 5_141_920_261


def upgrade(store: sa.Engine) -> None:
    """Bring the database to the newest schema, in one transaction: all of it or nothing.

    Raises StoreError where the database was written by a newer program, or cannot be upgraded.
    """
    with schema.begin(store) as connection:
        if store.dialect.name == "postgresql":
            connection.execute(sa.text("set local lock_timeout = '10min'"))  # a large database takes its time
            connection.execute(sa.text("select pg_advisory_xact_lock(:key)"), {"key": _UPGRADE_LOCK})
        found = _version(connection)
        if found != NEWEST:
            importlib.import_module("gonogo.store.migrating").bring_forward(connection, found)


def version(store: sa.Engine) -> str | None:
    """Return the schema version of a database, None for an empty one."""
    with schema.read(store) as connection:
        return _version(connection)


def is_newest(store: sa.Engine) -> bool:
    """Return whether a database has the schema that this program knows; it is left as it is."""
    return version(store) == NEWEST


def _version(connection: sa.Connection) -> str | None:
    """Read the version through a connection."""
    if not sa.inspect(connection).has_table(VERSION_TABLE):
        return None
    found: str | None = connection.scalar(sa.text(f"select version_num from {VERSION_TABLE}"))
    return found
