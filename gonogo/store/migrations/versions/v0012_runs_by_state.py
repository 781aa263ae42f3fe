"""Runs are found by state, by moment and by the answer that they used: of many sites nobody reads them all."""

from __future__ import annotations

from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_index(op.f("ix_run_state_lease_until_utc"), "run", ["state", "lease_until_utc"])
    op.create_index(op.f("ix_run_claimed_utc"), "run", ["claimed_utc"])
    op.create_index(op.f("ix_run_answer_id"), "run", ["answer_id"])
