"""Due mails are found by their deadline: what is late goes first to whom it is still of use."""

from __future__ import annotations

from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_index(op.f("ix_message_state_deadline_utc"), "message", ["state", "deadline_utc"])
