"""Answers to mails: each once, with what became of addresses and when the mailbox was read."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from gonogo.store.moment import UtcDateTime

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "reply",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("mail_key", sa.Text(), nullable=False),
        sa.Column("site_id", sa.Text(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("received_utc", UtcDateTime(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("record", sa.Text(), nullable=False),
        sa.Column("is_answered", sa.Boolean(), nullable=False),
        sa.Column("recheck_day", sa.Date(), nullable=True),
        sa.CheckConstraint(
            "state in ('stored', 'waiting', 'confirmed', 'refused', 'left')", name=op.f("ck_reply_state")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reply")),
        sa.UniqueConstraint("mail_key", name=op.f("uq_reply_mail_key")),
    )
    op.create_index(op.f("ix_reply_address_received_utc"), "reply", ["address", "received_utc"])
    op.create_table(
        "address_event",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("at_utc", UtcDateTime(), nullable=False),
        sa.Column("source_key", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_address_event")),
        sa.UniqueConstraint("source_key", name=op.f("uq_address_event_source_key")),
    )
    op.create_index(op.f("ix_address_event_address"), "address_event", ["address"])
    op.create_table(
        "inbox_poll",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("polled_utc", UtcDateTime(), nullable=False),
        sa.Column("fault", sa.Text(), nullable=False),
        sa.Column("good_utc", UtcDateTime(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_inbox_poll")),
    )
