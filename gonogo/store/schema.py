"""Tables, and the two ways to a database: SQLite in one file, PostgreSQL by the same URL key.

Everything else in gonogo reaches the database through `begin` and `read`, which turn any fault of the database into a
StoreError without the values that were being stored: those hold addresses and whole mails.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache

import sqlalchemy as sa
from sqlalchemy import Column, ForeignKey, Index, Table
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import ArgumentError

from gonogo.errors import StoreError
from gonogo.store import fleet_tables, postgresql_pool, reply_tables, sqlite_file
from gonogo.store.moment import UtcDateTime
from gonogo.store.packed_bytes import PackedBytes
from gonogo.store.refusal import translated

MOST_CONNECTIONS = 60  # of one process, beyond those that are kept: more than it has threads
# As many as runs and mail connections of one service use at once: a new one costs the server as much as half a site.
KEPT_CONNECTIONS = 20

# Numbers of rows. SQLite gives out 64 bits by itself, and numbers only columns that are called INTEGER.
Id = sa.BigInteger().with_variant(sa.Integer(), "sqlite")

metadata = sa.MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)

# What a weather service sent, as it came (gzip). `rejected` is set when the body turned out to be unusable.
answer = Table(
    "answer",
    metadata,
    Column("id", Id, primary_key=True),
    Column("site_id", sa.Text, nullable=False),
    Column("service", sa.Text, nullable=False),
    Column("url", sa.Text, nullable=False),
    Column("fetched_utc", UtcDateTime, nullable=False),
    Column("status", sa.Integer, nullable=False),
    Column("headers", sa.Text, nullable=False),
    Column("body_gzip", sa.LargeBinary, nullable=False),
    Column("body_bytes", sa.Integer, nullable=False),
    Column("body_sha256", sa.Text, nullable=False),
    Column("rejected", sa.Text),
    Index(None, "site_id", "fetched_utc"),
)

# What was recorded on site. Rows are only added; an entry has at most one correction, so corrections form a chain.
entry = Table(
    "entry",
    metadata,
    Column("id", Id, primary_key=True),
    Column("site_id", sa.Text, nullable=False),
    Column("kind", sa.Text, nullable=False),
    Column("strip_id", sa.Text),
    Column("at_utc", UtcDateTime, nullable=False),
    Column("record", sa.Text, nullable=False),
    Column("entered_utc", UtcDateTime, nullable=False),
    Column("entered_by", sa.Text, nullable=False),
    Column("note", sa.Text, nullable=False),
    Column("source_key", sa.Text),
    Column("corrects_id", Id, ForeignKey("entry.id"), unique=True),
    sa.UniqueConstraint("site_id", "source_key"),
    Index(None, "site_id", "at_utc"),
)

# Each accepted configuration once, however many runs used it.
config_copy = Table(
    "config_copy",
    metadata,
    Column("sha256", sa.Text, primary_key=True),
    Column("text", sa.Text, nullable=False),
    Column("first_seen_utc", UtcDateTime, nullable=False),
)

VOID = "-void-"

# One row per (site, local date, edition): whoever inserts it runs that morning. A run that a wrong clock made keeps its
# row with VOID and its number behind the edition, in the state of a claim that nobody takes up.
run = Table(
    "run",
    metadata,
    Column("id", Id, primary_key=True),
    Column("site_id", sa.Text, nullable=False),
    Column("day", sa.Date, nullable=False),
    Column("edition", sa.Text, nullable=False),
    Column("state", sa.Text, nullable=False),
    Column("owner", sa.Text, nullable=False),
    Column("attempt", sa.Integer, nullable=False),
    Column("claimed_utc", UtcDateTime, nullable=False),
    Column("lease_until_utc", UtcDateTime, nullable=False),
    Column("finished_utc", UtcDateTime),
    Column("answer_id", Id, ForeignKey("answer.id")),
    Column("config_sha256", sa.Text, ForeignKey("config_copy.sha256")),
    Column("seed", sa.Text),
    Column("program_version", sa.Text),
    Column("faults", sa.Text, nullable=False),
    Column("error", sa.Text, nullable=False),
    sa.UniqueConstraint("site_id", "day", "edition", name="uq_run_site_id_day_issue"),
    Index(None, "state", "lease_until_utc"),
    Index(None, "claimed_utc"),
    Index(None, "answer_id"),
    sa.CheckConstraint("state in ('claimed', 'finished')", name="state"),
)

verdict = Table(
    "verdict",
    metadata,
    Column("run_id", Id, ForeignKey("run.id"), primary_key=True),
    Column("strip_id", sa.Text, primary_key=True),
    Column("position", sa.Integer, nullable=False),
    Column("verdict", sa.Text, nullable=False),
    Column("rule_id", sa.Text, nullable=False),
    Column("reason", sa.Text, nullable=False),
    Column("record", sa.Text, nullable=False),
)

outlook_day = Table(
    "outlook_day",
    metadata,
    Column("run_id", Id, ForeignKey("run.id"), primary_key=True),
    Column("strip_id", sa.Text, primary_key=True),
    Column("day", sa.Date, primary_key=True),
    Column("position", sa.Integer, nullable=False),
    Column("record", sa.Text, nullable=False),
)


def _run_id() -> Column[int]:
    return Column("run_id", Id, ForeignKey("run.id"), primary_key=True)


# The order of work that a run proposed, its day plan, and of an old run verdicts and outlook in place of their rows.
work_order = Table("work_order", metadata, _run_id(), Column("record", sa.Text, nullable=False))
day_plan = Table("day_plan", metadata, _run_id(), Column("record", sa.Text, nullable=False))
packed_run = Table("packed_run", metadata, _run_id(), Column("packed", sa.LargeBinary, nullable=False))

# What the readings of a strip taught of its soil. Rows are only added; a reset is a row too.
learned = Table(
    "learned",
    metadata,
    Column("id", Id, primary_key=True),
    Column("site_id", sa.Text, nullable=False),
    Column("strip_id", sa.Text, nullable=False),
    Column("made_utc", UtcDateTime, nullable=False),
    Column("run_id", Id, ForeignKey("run.id")),
    Column("record", sa.Text, nullable=False),
    Index(None, "site_id", "made_utc"),
)

# The outbox. A row is held by whoever stands in lease_owner until lease_until_utc; states in outbox.py.
message = Table(
    "message",
    metadata,
    Column("id", Id, primary_key=True),
    Column("message_id", sa.Text, nullable=False, unique=True),
    Column("run_id", Id, ForeignKey("run.id")),
    Column("site_id", sa.Text, nullable=False),
    Column("crew_id", sa.Text, nullable=False),
    Column("kind", sa.Text, nullable=False),
    Column("role", sa.Text, nullable=False),
    Column("name", sa.Text, nullable=False),
    Column("address", sa.Text, nullable=False),
    Column("language", sa.Text, nullable=False),
    Column("subject", sa.Text, nullable=False),
    Column("put_utc", UtcDateTime, nullable=False),
    Column("deadline_utc", UtcDateTime, nullable=False),
    Column("state", sa.Text, nullable=False),
    Column("next_try_utc", UtcDateTime, nullable=False),
    Column("n_tries", sa.Integer, nullable=False),
    Column("n_crashes", sa.Integer, nullable=False),
    Column("lease_owner", sa.Text),
    Column("lease_until_utc", UtcDateTime),
    Column("settled_utc", UtcDateTime),
    Column("last_error", sa.Text, nullable=False),
    Index(None, "state", "next_try_utc"),
    Index(None, "state", "deadline_utc", "next_try_utc", "id"),  # in the order in which mails go
    Index(None, "site_id", "put_utc"),
    Index(None, "run_id"),
    sa.CheckConstraint("state in ('waiting', 'sent', 'expired', 'refused', 'set_aside', 'withdrawn')", name="state"),
)

reply, address_event, inbox_poll = reply_tables.added_to(metadata, Id)
planned_run, plan_made, worker = fleet_tables.added_to(metadata)

# The mail itself, apart from its state: a row that changes with each try would be rewritten with all of it.
message_raw = Table(
    "message_raw",
    metadata,
    Column("message", Id, ForeignKey("message.id"), primary_key=True),
    Column("raw", PackedBytes, nullable=False),
)


def engine(url: str) -> sa.Engine:
    """Return an engine for a database URL, such as sqlite:///gonogo.db or postgresql://user@host/name.

    Raises StoreError for a URL that is no database URL, or one of neither kind.
    """
    try:
        parsed = sa.make_url(url)
    except ArgumentError as error:
        raise StoreError(
            "store.url is not a database URL. Write for example sqlite:///gonogo.db or postgresql://user@host/gonogo."
        ) from error
    backend = parsed.get_backend_name()
    if backend not in ("sqlite", "postgresql"):
        raise StoreError(
            f"store.url = {parsed.render_as_string()}: {backend} is not supported. "
            "Write sqlite:///gonogo.db or postgresql://user@host/gonogo."
        )
    if backend == "sqlite" and parsed.database in (None, "", ":memory:"):
        raise StoreError("store.url names no file. An outbox in memory would lose mails; write sqlite:///gonogo.db.")
    if parsed.drivername == "postgresql":
        parsed = parsed.set(drivername="postgresql+psycopg")
    try:
        options = postgresql_pool.options(parsed) if backend == "postgresql" else {}
        made = sa.create_engine(
            parsed,
            hide_parameters=True,
            pool_size=KEPT_CONNECTIONS,
            max_overflow=MOST_CONNECTIONS,
            connect_args=options,
        )
    except ImportError as error:
        raise StoreError(
            f"store.url = {parsed.render_as_string()}: the PostgreSQL driver is missing. "
            "Install it with: pip install 'gonogo[postgresql]'."
        ) from error
    (sqlite_file if backend == "sqlite" else postgresql_pool).prepare(made)
    return made


@contextmanager
def begin(store: sa.Engine) -> Iterator[sa.Connection]:
    """Give a connection inside one transaction: committed at the end of the block, rolled back if it raises."""
    with translated(store), store.begin() as connection:
        yield connection


@contextmanager
def read(store: sa.Engine) -> Iterator[sa.Connection]:
    """Give a connection for looking only: one consistent view that neither waits for a writer nor holds one up."""
    with translated(store), store.connect() as plain:
        isolation = {} if store.dialect.name == "sqlite" else {"isolation_level": "REPEATABLE READ"}
        connection = plain.execution_options(gonogo_reads_only=True, **isolation)
        with connection.begin():
            yield connection


@contextmanager
def look(store: sa.Engine) -> Iterator[sa.Connection]:
    """Give a connection for a single statement that only looks: on PostgreSQL without a transaction around it."""
    if store.dialect.name == "sqlite":
        with read(store) as connection:
            yield connection
        return
    with translated(store), store.connect() as plain:
        yield plain.execution_options(isolation_level="AUTOCOMMIT")


def insert_new(connection: sa.Connection, table: Table, unique: list[str]) -> postgresql.Insert | sqlite.Insert:
    """Return an insert that does nothing where a row with these unique columns is there already."""
    return _insert_new(connection.dialect.name, table, tuple(unique))


@cache
def _insert_new(dialect: str, table: Table, unique: tuple[str, ...]) -> postgresql.Insert | sqlite.Insert:
    made = postgresql.insert(table) if dialect == "postgresql" else sqlite.insert(table)
    return made.on_conflict_do_nothing(index_elements=unique)
