"""A run keeps the day plan that it told."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "day_plan",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("record", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_day_plan_run_id_run")),
        sa.PrimaryKeyConstraint("run_id", name=op.f("pk_day_plan")),
    )
