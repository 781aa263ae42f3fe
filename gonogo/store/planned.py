"""The runs of a day as rows: planned once, taken in batches by whoever has room, done whoever did them.

A row says that a run is to be made, never that it may be: that says the claim (store/claims.py). So a row that is lost,
doubled in haste or taken by two costs time, and no crew a mail.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import sqlalchemy as sa

from gonogo.store import alive, schema
from gonogo.store.clock import judged_utc
from gonogo.store.many_rows import insert_new_rows
from gonogo.store.moment import UtcDateTime
from gonogo.store.schema import plan_made, planned_run, worker

ROWS_AT_ONCE = 500
LONGEST_LEAD = timedelta(hours=4)  # no run may be made longer before its mails; settings allow three hours
MOST_COUNTED = 1000  # due runs: more than batches of the usual size for twenty services
_PLAN_LOCK = 5_141_920_262  # any fixed number: services that plan meet here


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedRun:
    """A run that is to be made.

    from_utc      not before this; moved where a try came to nothing
    mail_utc      when its mails are to leave: what is soonest goes first
    deadline_utc  after this it is of no use
    tile          of weather: what one question brings stands together
    """

    site_id: str
    day: date
    edition: str
    from_utc: datetime
    mail_utc: datetime
    deadline_utc: datetime
    tile: str


def is_planned(connection: sa.Connection, fingerprint: str, until_utc: datetime) -> bool:
    """Return whether the runs of a set of sites are planned as far ahead as that."""
    found = connection.scalar(sa.select(plan_made.c.until_utc).where(plan_made.c.fingerprint == fingerprint))
    return found is not None and found >= until_utc


def plan(
    store: sa.Engine, fingerprint: str, rows: Sequence[PlannedRun], *, now_utc: datetime, until_utc: datetime
) -> int:
    """Write runs down unless somebody has; return how many are new.

    fingerprint   of the sites and their times. What was planned by another and nobody has begun is moved to its new
                  times, or deleted where it is planned no more
    """
    with schema.begin(store) as connection:
        if store.dialect.name == "postgresql":
            connection.execute(sa.text("select pg_advisory_xact_lock(:number)"), {"number": _PLAN_LOCK})
        if is_planned(connection, fingerprint, until_utc):
            return 0
        judged = judged_utc(connection, now_utc)
        known = connection.scalar(sa.select(plan_made.c.fingerprint).order_by(plan_made.c.made_utc.desc()).limit(1))
        if known is not None and known != fingerprint:
            ahead = (planned_run.c.is_done.is_(False), planned_run.c.taken_by.is_(None))
            connection.execute(sa.delete(planned_run).where(*ahead))
        n_new = 0
        for first in range(0, len(rows), ROWS_AT_ONCE):
            n_new += _add(connection, rows[first : first + ROWS_AT_ONCE])
        connection.execute(sa.delete(plan_made))
        made = {"fingerprint": fingerprint, "until_utc": until_utc, "made_utc": judged}
        connection.execute(sa.insert(plan_made).values(**made))
        alive.tell(connection, alive.RUNS)
        return n_new


def _add(connection: sa.Connection, rows: Sequence[PlannedRun]) -> int:
    """Add rows that are not there; one whose run is finished already is done."""
    run = schema.run
    days, sites = {row.day for row in rows}, {row.site_id for row in rows}
    query = sa.select(run.c.site_id, run.c.day, run.c.edition).where(run.c.state == "finished", run.c.day.in_(days))
    finished = {tuple(found) for found in connection.execute(query.where(run.c.site_id.in_(sites)))}
    values = [
        {
            "site_id": row.site_id,
            "day": row.day,
            "edition": row.edition,
            "from_utc": row.from_utc,
            "mail_utc": row.mail_utc,
            "deadline_utc": row.deadline_utc,
            "tile": row.tile,
            "is_done": (row.site_id, row.day, row.edition) in finished,
            "is_seen": False,
        }
        for row in rows
    ]
    unique = ("site_id", "day", "edition")
    return len(insert_new_rows(connection, planned_run, values, unique=unique, returned=("site_id",)))


_FREE = (planned_run.c.is_done.is_(False), planned_run.c.taken_by.is_(None))
_NOW = sa.bindparam("now", type_=UtcDateTime())
_DUE = (
    *_FREE,
    planned_run.c.from_utc <= _NOW,
    planned_run.c.deadline_utc > _NOW,
    planned_run.c.mail_utc <= sa.bindparam("latest"),  # where little is due the whole day is not read for more
)
_TAKE = (
    sa.select(planned_run)
    .where(*_DUE)
    .order_by(planned_run.c.mail_utc, planned_run.c.tile, planned_run.c.site_id)
    .limit(sa.bindparam("most", type_=sa.Integer(), literal_execute=True))
    .with_for_update(skip_locked=True)
)


def take(store: sa.Engine, *, now_utc: datetime, owner: str, most: int) -> tuple[PlannedRun, ...]:
    """Take up to so many runs that are due for a service, the soonest mails first; nobody else gets them meanwhile.

    What another is just taking is passed over, never waited for.
    """
    row = planned_run
    with schema.begin(store) as connection:
        judged = judged_utc(connection, now_utc)
        found = connection.execute(_TAKE, {"now": judged, "latest": judged + LONGEST_LEAD, "most": most}).all()
        if not found:
            return ()
        key = sa.tuple_(row.c.site_id, row.c.day, row.c.edition)
        keys = [(taken.site_id, taken.day, taken.edition) for taken in found]
        connection.execute(sa.update(row).where(key.in_(keys)).values(taken_by=owner))
        return tuple(_planned(taken) for taken in found)


def give_back(store: sa.Engine, taken: PlannedRun, *, owner: str, from_utc: datetime) -> None:
    """Let others have a run that a service took and did not make, from a moment on."""
    with schema.begin(store) as connection:
        connection.execute(
            sa.update(planned_run)
            .where(*_is(taken.site_id, taken.day, taken.edition), planned_run.c.taken_by == owner)
            .values(taken_by=None, from_utc=judged_utc(connection, from_utc))
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class BeforeBatch:
    """What is known before a batch is taken.

    owners       names of all services that have something in their batches
    n_due        runs that are due and that nobody has taken, MOST_COUNTED at most
    n_services   that are at work, or died at it since the last one began
    """

    owners: frozenset[str]
    n_due: int
    n_services: int


def before_batch(store: sa.Engine, *, now_utc: datetime) -> BeforeBatch:
    """Look at what is due and who shares it, in one statement: it is asked before each batch."""
    with schema.read(store) as connection:
        judged = judged_utc(connection, now_utc)
        rows = connection.execute(_BEFORE_BATCH, {"now": judged, "latest": judged + LONGEST_LEAD}).all()
    return BeforeBatch(
        owners=frozenset(row.owner for row in rows if row.owner is not None),
        n_due=sum(row.n_due for row in rows),
        n_services=sum(row.n_services for row in rows),
    )


_SOME_DUE = sa.select(planned_run.c.site_id).where(*_DUE).limit(MOST_COUNTED).subquery()
_BEFORE_BATCH = sa.union_all(
    sa.select(
        planned_run.c.taken_by.label("owner"),
        sa.literal_column("0").label("n_due"),
        sa.literal_column("0").label("n_services"),
    )
    .where(planned_run.c.taken_by.is_not(None))
    .distinct(),
    sa.select(
        sa.cast(sa.null(), sa.Text),
        sa.select(sa.func.count()).select_from(_SOME_DUE).scalar_subquery(),
        sa.select(sa.func.count()).select_from(worker).scalar_subquery(),
    ),
)


def release(store: sa.Engine, dead: Collection[str]) -> int:
    """Let go of the batches of services that are dead, and return how many runs those were."""
    row = planned_run
    held = (row.c.is_done.is_(False), row.c.taken_by.is_not(None))
    with schema.begin(store) as connection:
        released = sa.update(row).where(*held, row.c.taken_by.in_(dead)).values(taken_by=None)
        n_released = connection.execute(released).rowcount
        alive.tell(connection, alive.RUNS)
        return n_released


_THIS = (
    planned_run.c.site_id == sa.bindparam("its_site"),
    planned_run.c.day == sa.bindparam("its_day"),
    planned_run.c.edition == sa.bindparam("its_edition"),
)
_DONE = sa.update(planned_run).where(*_THIS).values(is_done=True, taken_by=None)
_NOT_DONE = sa.update(planned_run).where(*_THIS).values(is_done=False, taken_by=None, is_seen=False)


def mark_done(connection: sa.Connection, site_id: str, day: date, edition: str, *, is_done: bool = True) -> None:
    """Note in the caller's transaction that a run is done, or is to be made again, whoever did it."""
    key = {"its_site": site_id, "its_day": day, "its_edition": edition}
    connection.execute(_DONE if is_done else _NOT_DONE, key)


def mark_seen(store: sa.Engine, keys: Iterable[tuple[str, date, str]]) -> None:
    """Note of runs that nothing is left to look after."""
    wanted, row = list(keys), planned_run
    key = sa.tuple_(row.c.site_id, row.c.day, row.c.edition)
    for first in range(0, len(wanted), ROWS_AT_ONCE):
        part = wanted[first : first + ROWS_AT_ONCE]
        with schema.begin(store) as connection:
            connection.execute(sa.update(row).where(key.in_(part)).values(is_seen=True))


@dataclass(frozen=True, slots=True)
class UnseenRun:
    """A run that wants looking after. mail_utc: when its mails are to leave."""

    site_id: str
    day: date
    is_done: bool
    mail_utc: datetime


def unseen(store: sa.Engine, edition: str, *, now_utc: datetime) -> tuple[UnseenRun, ...]:
    """Return the runs of an edition in their time that want looking after, the soonest mails first."""
    row = planned_run
    with schema.read(store) as connection:
        judged = judged_utc(connection, now_utc)
        query = sa.select(row.c.site_id, row.c.day, row.c.is_done, row.c.mail_utc).where(row.c.is_seen.is_(False))
        query = query.where(row.c.from_utc <= judged, row.c.deadline_utc > judged, row.c.edition == edition)
        query = query.order_by(row.c.mail_utc, row.c.site_id)
        return tuple(UnseenRun(*found) for found in connection.execute(query))


def made(store: sa.Engine, edition: str, *, since: date) -> dict[str, date]:
    """Return by site the last day whose run of an edition is done, whoever did it."""
    row = planned_run
    query = sa.select(row.c.site_id, sa.func.max(row.c.day)).group_by(row.c.site_id)
    query = query.where(row.c.edition == edition, row.c.is_done.is_(True), row.c.day >= since)
    with schema.read(store) as connection:
        return {found[0]: found[1] for found in connection.execute(query)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """What is planned and not done.

    from_utc           when the next run that nobody has taken falls due, None for none
    others_have_runs   another service has taken some
    """

    from_utc: datetime | None
    others_have_runs: bool


def ahead(store: sa.Engine, *, now_utc: datetime, owner: str) -> Ahead:
    """Look at what is planned, as a service sees it."""
    with schema.read(store) as connection:
        row = connection.execute(_AHEAD, {"now": judged_utc(connection, now_utc), "owner": owner}).one()
    return Ahead(from_utc=row.from_utc, others_have_runs=bool(row.others_have_runs))


_NEXT = sa.select(sa.func.min(planned_run.c.from_utc)).where(*_FREE, planned_run.c.deadline_utc > _NOW)
_OTHERS = sa.exists().where(planned_run.c.taken_by.is_not(None), planned_run.c.taken_by != sa.bindparam("owner"))
_AHEAD = sa.select(_NEXT.scalar_subquery().label("from_utc"), _OTHERS.label("others_have_runs"))


def forget_before(store: sa.Engine, day: date, most: int = ROWS_AT_ONCE) -> int:
    """Delete some rows of days gone by, and return how many."""
    row = planned_run
    with schema.begin(store) as connection:
        key = sa.tuple_(row.c.site_id, row.c.day, row.c.edition)
        old = sa.select(row.c.site_id, row.c.day, row.c.edition).where(row.c.day < day).limit(most)
        return connection.execute(sa.delete(row).where(key.in_(old))).rowcount


def _is(site_id: str, day: date, edition: str) -> tuple[sa.ColumnElement[bool], ...]:
    row = planned_run
    return (row.c.site_id == site_id, row.c.day == day, row.c.edition == edition)


def _planned(row: sa.Row[tuple[object, ...]]) -> PlannedRun:
    names = ("site_id", "day", "edition", "from_utc", "mail_utc", "deadline_utc", "tile")
    return PlannedRun(**{name: row._mapping[name] for name in names})
