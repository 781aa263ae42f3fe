"""Mails and answers come packed: PostgreSQL does not try to pack them once more."""

from __future__ import annotations

from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    if op.get_bind().dialect.name == "postgresql":
        op.execute("alter table message_raw alter column raw set storage external")
        op.execute("alter table answer alter column body_gzip set storage external")
