"""The database of a config, opened and brought up to date."""

from __future__ import annotations

import sqlalchemy as sa

from gonogo.config import Config
from gonogo.store import members, schema, upgrade


def open_store(config: Config) -> sa.Engine:
    """Return the database of a config, brought up to date. Raises StoreError."""
    store = schema.engine(config.store_url)
    upgrade.upgrade(store)
    return store


def open_for_service(config: Config, version: str) -> sa.Engine:
    """Return the same for a service of a version, that refuses where others work on it. Raises StoreError."""
    found = schema.engine(config.store_url)
    members.require_same_version(found, version)
    upgrade.upgrade(found)
    return found
