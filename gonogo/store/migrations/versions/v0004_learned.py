"""What the readings of a strip taught of its soil is kept from morning to morning."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from gonogo.store.moment import UtcDateTime

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "learned",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Text(), nullable=False),
        sa.Column("strip_id", sa.Text(), nullable=False),
        sa.Column("made_utc", UtcDateTime(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=True),
        sa.Column("record", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_learned_run_id_run")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_learned")),
    )
    op.create_index(op.f("ix_learned_site_id_made_utc"), "learned", ["site_id", "made_utc"], unique=False)
