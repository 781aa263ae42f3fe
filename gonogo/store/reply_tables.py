"""The tables of answers to mails."""

from __future__ import annotations

import sqlalchemy as sa

from gonogo.store.moment import UtcDateTime


def added_to(metadata: sa.MetaData, number: sa.types.TypeEngine[int]) -> tuple[sa.Table, sa.Table, sa.Table]:
    """Add the tables to the schema, and return them: answers, what became of addresses, readings of the mailbox."""
    # Answers to mails, each once: mail_key is the mail's own name. recheck_day: its strips are looked at again.
    reply = sa.Table(
        "reply",
        metadata,
        sa.Column("id", number, primary_key=True),
        sa.Column("mail_key", sa.Text, nullable=False, unique=True),
        sa.Column("site_id", sa.Text, nullable=False),
        sa.Column("address", sa.Text, nullable=False),
        sa.Column("received_utc", UtcDateTime, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("record", sa.Text, nullable=False),
        sa.Column("is_answered", sa.Boolean, nullable=False),
        sa.Column("recheck_day", sa.Date),
        sa.Index(None, "address", "received_utc"),
        sa.CheckConstraint("state in ('stored', 'waiting', 'confirmed', 'refused', 'left')", name="state"),
    )

    # What became of an address: "stop", "start", "bounce". Rows are only added.
    address_event = sa.Table(
        "address_event",
        metadata,
        sa.Column("id", number, primary_key=True),
        sa.Column("address", sa.Text, nullable=False),
        sa.Column("what", sa.Text, nullable=False),
        sa.Column("at_utc", UtcDateTime, nullable=False),
        sa.Column("source_key", sa.Text, nullable=False, unique=True),
        sa.Index(None, "address"),
    )

    # When the mailbox was last read: one row.
    inbox_poll = sa.Table(
        "inbox_poll",
        metadata,
        sa.Column("id", number, primary_key=True),
        sa.Column("polled_utc", UtcDateTime, nullable=False),
        sa.Column("fault", sa.Text, nullable=False),
        sa.Column("good_utc", UtcDateTime),
    )
    return reply, address_event, inbox_poll
