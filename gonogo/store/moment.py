"""The column of a moment, the same on both databases."""

from __future__ import annotations

from datetime import UTC, datetime

import sqlalchemy as sa

from gonogo.errors import StoreError


class UtcDateTime(sa.types.TypeDecorator[datetime]):
    """A moment. Goes in aware, is kept in UTC, comes back aware: SQLite alone would hand it back without a zone."""

    impl = sa.DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: sa.Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise StoreError(f"A moment without a time zone cannot be stored: {value.isoformat()}. Give UTC.")
        in_utc = value.astimezone(UTC)
        return in_utc.replace(tzinfo=None) if dialect.name == "sqlite" else in_utc

    def process_result_value(self, value: datetime | None, dialect: sa.Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)
