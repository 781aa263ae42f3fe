"""The first schema: answers, entries, runs with verdicts and outlook, and the outbox."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from gonogo.store.moment import UtcDateTime

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "answer",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Text(), nullable=False),
        sa.Column("service", sa.Text(), nullable=False),
        sa.Column("url", sa.Text(), nullable=False),
        sa.Column("fetched_utc", UtcDateTime(), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("headers", sa.Text(), nullable=False),
        sa.Column("body_gzip", sa.LargeBinary(), nullable=False),
        sa.Column("body_bytes", sa.Integer(), nullable=False),
        sa.Column("body_sha256", sa.Text(), nullable=False),
        sa.Column("rejected", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_answer")),
    )
    op.create_index(op.f("ix_answer_site_id_fetched_utc"), "answer", ["site_id", "fetched_utc"], unique=False)
    op.create_table(
        "config_copy",
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("first_seen_utc", UtcDateTime(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_config_copy")),
    )
    op.create_table(
        "entry",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("strip_id", sa.Text(), nullable=True),
        sa.Column("at_utc", UtcDateTime(), nullable=False),
        sa.Column("record", sa.Text(), nullable=False),
        sa.Column("entered_utc", UtcDateTime(), nullable=False),
        sa.Column("entered_by", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("source_key", sa.Text(), nullable=True),
        sa.Column("corrects_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["corrects_id"], ["entry.id"], name=op.f("fk_entry_corrects_id_entry")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_entry")),
        sa.UniqueConstraint("corrects_id", name=op.f("uq_entry_corrects_id")),
        sa.UniqueConstraint("site_id", "source_key", name=op.f("uq_entry_site_id_source_key")),
    )
    op.create_index(op.f("ix_entry_site_id_at_utc"), "entry", ["site_id", "at_utc"], unique=False)
    op.create_table(
        "run",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Text(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("issue", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("owner", sa.Text(), nullable=False),
        sa.Column("attempt", sa.Integer(), nullable=False),
        sa.Column("claimed_utc", UtcDateTime(), nullable=False),
        sa.Column("lease_until_utc", UtcDateTime(), nullable=False),
        sa.Column("finished_utc", UtcDateTime(), nullable=True),
        sa.Column("answer_id", sa.Integer(), nullable=True),
        sa.Column("config_sha256", sa.Text(), nullable=True),
        sa.Column("seed", sa.Text(), nullable=True),
        sa.Column("program_version", sa.Text(), nullable=True),
        sa.Column("faults", sa.Text(), nullable=False),
        sa.Column("error", sa.Text(), nullable=False),
        sa.CheckConstraint("state in ('claimed', 'finished')", name=op.f("ck_run_state")),
        sa.ForeignKeyConstraint(["answer_id"], ["answer.id"], name=op.f("fk_run_answer_id_answer")),
        sa.ForeignKeyConstraint(
            ["config_sha256"], ["config_copy.sha256"], name=op.f("fk_run_config_sha256_config_copy")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_run")),
        sa.UniqueConstraint("site_id", "day", "issue", name=op.f("uq_run_site_id_day_issue")),
    )
    op.create_table(
        "message",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("message_id", sa.Text(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=True),
        sa.Column("site_id", sa.Text(), nullable=False),
        sa.Column("crew_id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("language", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("put_utc", UtcDateTime(), nullable=False),
        sa.Column("deadline_utc", UtcDateTime(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("next_try_utc", UtcDateTime(), nullable=False),
        sa.Column("n_tries", sa.Integer(), nullable=False),
        sa.Column("n_crashes", sa.Integer(), nullable=False),
        sa.Column("lease_owner", sa.Text(), nullable=True),
        sa.Column("lease_until_utc", UtcDateTime(), nullable=True),
        sa.Column("settled_utc", UtcDateTime(), nullable=True),
        sa.Column("last_error", sa.Text(), nullable=False),
        sa.CheckConstraint(
            "state in ('waiting', 'sent', 'expired', 'refused', 'set_aside', 'withdrawn')",
            name=op.f("ck_message_state"),
        ),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_message_run_id_run")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_message")),
        sa.UniqueConstraint("message_id", name=op.f("uq_message_message_id")),
    )
    op.create_index(op.f("ix_message_site_id_put_utc"), "message", ["site_id", "put_utc"], unique=False)
    op.create_index(op.f("ix_message_state_next_try_utc"), "message", ["state", "next_try_utc"], unique=False)
    op.create_table(
        "outlook_day",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("strip_id", sa.Text(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("record", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_outlook_day_run_id_run")),
        sa.PrimaryKeyConstraint("run_id", "strip_id", "day", name=op.f("pk_outlook_day")),
    )
    op.create_table(
        "verdict",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("strip_id", sa.Text(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("verdict", sa.Text(), nullable=False),
        sa.Column("rule_id", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("record", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_verdict_run_id_run")),
        sa.PrimaryKeyConstraint("run_id", "strip_id", name=op.f("pk_verdict")),
    )
    op.create_table(
        "message_raw",
        sa.Column("message", sa.Integer(), nullable=False),
        sa.Column("raw", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["message"], ["message.id"], name=op.f("fk_message_raw_message_message")),
        sa.PrimaryKeyConstraint("message", name=op.f("pk_message_raw")),
    )
