"""The tables by which several services share the runs of a day."""

from __future__ import annotations

import sqlalchemy as sa

from gonogo.store.moment import UtcDateTime


def added_to(metadata: sa.MetaData) -> tuple[sa.Table, sa.Table, sa.Table]:
    """Add the tables to the schema, and return them: planned runs, what was planned, and the services at work."""
    # The runs of a day, once each. taken_by: the service that has it in its batch; from_utc: not before this.
    # is_seen: it is done, has a verdict, and whoever watches it was told.
    planned_run = sa.Table(
        "planned_run",
        metadata,
        sa.Column("site_id", sa.Text, primary_key=True),
        sa.Column("day", sa.Date, primary_key=True),
        sa.Column("edition", sa.Text, primary_key=True),
        sa.Column("from_utc", UtcDateTime, nullable=False),
        sa.Column("mail_utc", UtcDateTime, nullable=False),
        sa.Column("deadline_utc", UtcDateTime, nullable=False),
        sa.Column("tile", sa.Text, nullable=False),
        sa.Column("taken_by", sa.Text),
        sa.Column("is_done", sa.Boolean, nullable=False),
        sa.Column("is_seen", sa.Boolean, nullable=False),
        sa.Index(None, "is_seen", "from_utc"),
        sa.Index(None, "day"),
    )

    # What is left to take, and what is taken: of 200,000 rows a few are due, and fewer are in anybody's batch.
    for name, columns, which in (
        ("ix_planned_run_soonest", ("mail_utc", "tile", "site_id"), _is_free(planned_run)),
        ("ix_planned_run_next", ("from_utc",), _is_free(planned_run)),
        ("ix_planned_run_taken", ("taken_by",), planned_run.c.taken_by.is_not(None)),
    ):
        sa.Index(name, *(planned_run.c[column] for column in columns), postgresql_where=which, sqlite_where=which)

    # Of which sites the runs are planned, and until when: whoever finds it said plans nothing.
    plan_made = sa.Table(
        "plan_made",
        metadata,
        sa.Column("fingerprint", sa.Text, primary_key=True),
        sa.Column("until_utc", UtcDateTime, nullable=False),
        sa.Column("made_utc", UtcDateTime, nullable=False),
    )

    # Services that are at work, or died at it.
    worker = sa.Table(
        "worker",
        metadata,
        sa.Column("owner", sa.Text, primary_key=True),
        sa.Column("version", sa.Text, nullable=False),
        sa.Column("began_utc", UtcDateTime, nullable=False),
    )
    return planned_run, plan_made, worker


def _is_free(planned_run: sa.Table) -> sa.ColumnElement[bool]:
    return sa.and_(planned_run.c.is_done.is_(False), planned_run.c.taken_by.is_(None))
