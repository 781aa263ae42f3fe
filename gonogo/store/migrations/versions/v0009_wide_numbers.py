"""Numbers of rows have 64 bits on PostgreSQL: 32 are used up within months where there are many sites."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

NUMBERED = ("answer", "entry", "run", "learned", "message", "reply", "address_event", "inbox_poll")
REFERRING = (
    ("entry", "corrects_id"),
    ("run", "answer_id"),
    ("verdict", "run_id"),
    ("outlook_day", "run_id"),
    ("work_order", "run_id"),
    ("day_plan", "run_id"),
    ("packed_run", "run_id"),
    ("learned", "run_id"),
    ("message", "run_id"),
    ("message_raw", "message"),
)


def upgrade() -> None:
    if op.get_bind().dialect.name == "sqlite":
        return  # its numbers have 64 bits already
    for table, column in (*((name, "id") for name in NUMBERED), *REFERRING):
        op.alter_column(table, column, type_=sa.BigInteger())
    for table in NUMBERED:
        sequence = op.get_bind().scalar(sa.text(f"select pg_get_serial_sequence('{table}', 'id')"))
        if sequence is not None:
            op.execute(f"alter sequence {sequence} as bigint")
