"""The runs of a day as rows, for several services on one database; and the services at work."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from gonogo.store.moment import UtcDateTime

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "planned_run",
        sa.Column("site_id", sa.Text(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("edition", sa.Text(), nullable=False),
        sa.Column("from_utc", UtcDateTime(), nullable=False),
        sa.Column("mail_utc", UtcDateTime(), nullable=False),
        sa.Column("deadline_utc", UtcDateTime(), nullable=False),
        sa.Column("tile", sa.Text(), nullable=False),
        sa.Column("taken_by", sa.Text(), nullable=True),
        sa.Column("is_done", sa.Boolean(), nullable=False),
        sa.Column("is_seen", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("site_id", "day", "edition", name=op.f("pk_planned_run")),
    )
    op.create_index(op.f("ix_planned_run_is_done_mail_utc_tile"), "planned_run", ["is_done", "mail_utc", "tile"])
    op.create_index(op.f("ix_planned_run_is_seen_from_utc"), "planned_run", ["is_seen", "from_utc"])
    op.create_index(op.f("ix_planned_run_day"), "planned_run", ["day"])
    op.create_table(
        "plan_made",
        sa.Column("fingerprint", sa.Text(), nullable=False),
        sa.Column("until_utc", UtcDateTime(), nullable=False),
        sa.Column("made_utc", UtcDateTime(), nullable=False),
        sa.PrimaryKeyConstraint("fingerprint", name=op.f("pk_plan_made")),
    )
    op.create_table(
        "worker",
        sa.Column("owner", sa.Text(), nullable=False),
        sa.Column("version", sa.Text(), nullable=False),
        sa.Column("began_utc", UtcDateTime(), nullable=False),
        sa.PrimaryKeyConstraint("owner", name=op.f("pk_worker")),
    )
