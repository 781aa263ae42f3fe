"""The mails of a run are found by its number, however many mails there are."""

from __future__ import annotations

from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_index(op.f("ix_message_run_id"), "message", ["run_id"], unique=False)
