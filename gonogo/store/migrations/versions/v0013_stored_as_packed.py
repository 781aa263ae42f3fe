"""Mails and answers are stored as packed as they come; what goes next, what is left and what is taken is found at once.

Of mails with one deadline, as those of a whole time zone have, all were put in order for each that was leased.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.drop_index(op.f("ix_message_state_deadline_utc"), "message")
    columns = ["state", "deadline_utc", "next_try_utc", "id"]
    op.create_index(op.f("ix_message_state_deadline_utc_next_try_utc_id"), "message", columns)
    op.drop_index(op.f("ix_planned_run_is_done_mail_utc_tile"), "planned_run")
    is_free = "is_done IS false AND taken_by IS NULL" if _is_postgresql() else "is_done IS 0 AND taken_by IS NULL"
    for name, columns, which in (
        ("ix_planned_run_soonest", ["mail_utc", "tile", "site_id"], is_free),
        ("ix_planned_run_next", ["from_utc"], is_free),
        ("ix_planned_run_taken", ["taken_by"], "taken_by IS NOT NULL"),
    ):
        condition = sa.text(which)
        op.create_index(name, "planned_run", columns, postgresql_where=condition, sqlite_where=condition)
    if _is_postgresql():
        op.execute("alter table message_raw alter column raw set storage external")
        op.execute("alter table answer alter column body_gzip set storage external")


def _is_postgresql() -> bool:
    return op.get_bind().dialect.name == "postgresql"
