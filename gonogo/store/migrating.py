"""The steps from one schema to the next. Imported where a database wants them alone: alembic holds 11 MB."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from alembic.util.exc import CommandError

from gonogo.errors import StoreError


def migrations() -> Config:
    """Return alembic's configuration for the steps inside this package; no ini file is involved."""
    config = Config()
    config.set_main_option("script_location", "gonogo.store:migrations")
    config.set_main_option("path_separator", "os")
    return config


def bring_forward(connection: sa.Connection, found: str | None) -> None:
    """Bring a database from the schema that was found to the newest one, in the caller's transaction.

    Raises StoreError where the schema is not known, or where a step fails.
    """
    script = ScriptDirectory.from_config(migrations())
    if found is not None and found not in {step.revision for step in script.walk_revisions()}:
        raise StoreError(
            f"{connection.engine.url.render_as_string(hide_password=True)}: the database has schema {found}, which "
            f"this program does not know (newest it knows: {script.get_current_head()}). "
            "A newer gonogo wrote it: install that version or restore the backup made before. Nothing was changed."
        )
    config = migrations()
    config.attributes["connection"] = connection
    try:
        command.upgrade(config, "head")
    except CommandError as error:
        raise StoreError(f"The database could not be upgraded: {error}. Nothing was changed.") from error
