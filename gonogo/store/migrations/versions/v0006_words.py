"""Stored words become those of the field: an edition, a re-check, warnings on a water plan."""

from __future__ import annotations

import json
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

RECORDS = ("verdict", "day_plan")  # tables whose records may hold a water plan


def upgrade() -> None:
    op.execute("alter table run rename column issue to edition")
    op.execute("update message set kind = 'recheck' where kind = 'later_look'")
    for name in RECORDS:
        _rename_warnings(name)


def _rename_warnings(name: str) -> None:
    """Bring the records of a table to `warnings`, where the water plan in them says `flags`."""
    connection = op.get_bind()
    table = sa.Table(name, sa.MetaData(), autoload_with=connection)
    for row in connection.execute(sa.select(table).where(table.c.record.contains('"flags"'))).all():
        key = [column == row._mapping[column.name] for column in table.primary_key.columns]
        record = json.dumps(_renamed(json.loads(row.record)), ensure_ascii=False, separators=(",", ":"))
        connection.execute(sa.update(table).where(*key).values(record=record))


def _renamed(part: Any) -> Any:
    """Return a part of a record in which the flags of a water plan are its warnings."""
    if isinstance(part, list):
        return [_renamed(item) for item in part]
    if not isinstance(part, dict):
        return part
    is_water = "litres_m2_per_pass" in part
    return {"warnings" if is_water and key == "flags" else key: _renamed(value) for key, value in part.items()}
