"""Bring a database to the schema that this program knows: from nothing, or from any earlier version."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from alembic.util.exc import CommandError

from gonogo.errors import StoreError
from gonogo.store import schema

VERSION_TABLE = "gonogo_version"
# Any fixed number: two services that start at once on PostgreSQL must upgrade one after the other.
_UPGRADE_LOCK = 5_141_920_261


def migrations() -> Config:
    """Return alembic's configuration for the steps inside this package; no ini file is involved."""
    config = Config()
    config.set_main_option("script_location", "gonogo.store:migrations")
    config.set_main_option("path_separator", "os")
    return config


def upgrade(store: sa.Engine) -> None:
    """Bring the database to the newest schema, in one transaction: all of it or nothing.

    Raises StoreError where the database was written by a newer program, or cannot be upgraded.
    """
    with schema.begin(store) as connection:
        if store.dialect.name == "postgresql":
            connection.execute(sa.text("set local lock_timeout = '10min'"))  # a large database takes its time
            connection.execute(sa.text("select pg_advisory_xact_lock(:key)"), {"key": _UPGRADE_LOCK})
        found = _version(connection)
        script = ScriptDirectory.from_config(migrations())
        if found == script.get_current_head():
            return
        if found is not None and found not in {step.revision for step in script.walk_revisions()}:
            raise StoreError(
                f"{store.url.render_as_string(hide_password=True)}: the database has schema {found}, which this "
                f"program does not know (newest it knows: {script.get_current_head()}). "
                "A newer gonogo wrote it: install that version or restore the backup made before. Nothing was changed."
            )
        config = migrations()
        config.attributes["connection"] = connection
        try:
            command.upgrade(config, "head")
        except CommandError as error:
            raise StoreError(f"The database could not be upgraded: {error}. Nothing was changed.") from error


def version(store: sa.Engine) -> str | None:
    """Return the schema version of a database, None for an empty one."""
    with schema.read(store) as connection:
        return _version(connection)


def is_newest(store: sa.Engine) -> bool:
    """Return whether a database has the schema that this program knows; it is left as it is."""
    return version(store) == ScriptDirectory.from_config(migrations()).get_current_head()


def _version(connection: sa.Connection) -> str | None:
    """Read the version through a connection."""
    return MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE}).get_current_revision()
