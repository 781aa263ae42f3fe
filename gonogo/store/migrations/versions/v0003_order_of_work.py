"""A run keeps the order of work that it proposed."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "work_order",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("record", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_work_order_run_id_run")),
        sa.PrimaryKeyConstraint("run_id", name=op.f("pk_work_order")),
    )
