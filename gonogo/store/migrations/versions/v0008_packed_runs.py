"""Verdicts and outlook of old runs, compressed into one row a run."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "packed_run",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("packed", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_packed_run_run_id_run")),
        sa.PrimaryKeyConstraint("run_id", name=op.f("pk_packed_run")),
    )
