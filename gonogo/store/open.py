"""The database of a config, opened and brought up to date."""

from __future__ import annotations

import sqlalchemy as sa

from gonogo.config import Config
from gonogo.store import schema, upgrade


def open_store(config: Config) -> sa.Engine:
    """Return the database of a config, brought up to date. Raises StoreError."""
    store = schema.engine(config.store_url)
    upgrade.upgrade(store)
    return store
