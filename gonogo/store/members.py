"""The services at work on one database: all of one version, or the newcomer refuses."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

import sqlalchemy as sa

from gonogo.errors import GonogoError
from gonogo.store import alive, owner, schema
from gonogo.store.schema import worker


class OtherVersionError(GonogoError):
    """Services of another version are at work: two versions may judge and write differently."""


def require_same_version(store: sa.Engine, version: str) -> None:
    """Raise OtherVersionError where a service of another version is at work. Asked before the database is upgraded."""
    with schema.read(store) as connection:
        if not sa.inspect(connection).has_table(worker.name):
            return
        others = connection.execute(sa.select(worker).where(worker.c.version != version)).all()
        is_alive = _alive(connection) if others else None
    at_work = [row for row in others if is_alive is not None and is_alive(row.owner)]
    if at_work:
        first = at_work[0]
        host, since = first.owner.split(":")[0], f"{first.began_utc:%Y-%m-%d %H:%M}"
        work = "1 service of another version works"
        if len(at_work) > 1:
            work = f"{len(at_work)} services of another version work"
        raise OtherVersionError(
            f"{work} on this database, one of {first.version} on {host} since {since} UTC; this is {version}. Stop all "
            "services, start one of the newer version, which brings the database forward, then the others."
        )


def join(store: sa.Engine, name: str, version: str, *, now_utc: datetime) -> None:
    """Note that a service is at work, and forget those that are no more."""
    with schema.begin(store) as connection:
        is_alive = _alive(connection)
        names = connection.scalars(sa.select(worker.c.owner)).all()
        over = [other for other in names if not is_alive(other)]
        connection.execute(sa.delete(worker).where(worker.c.owner.in_(over)))
        connection.execute(sa.insert(worker).values(owner=name, version=version, began_utc=now_utc))


def write_again(store: sa.Engine, name: str) -> None:
    """Write what is noted of a service once more, to see whether the database takes it. Raises StoreError."""
    with schema.begin(store) as connection:
        connection.execute(sa.update(worker).where(worker.c.owner == name).values(began_utc=worker.c.began_utc))


def leave(store: sa.Engine, name: str) -> None:
    """Note that a service is at work no more."""
    with schema.begin(store) as connection:
        connection.execute(sa.delete(worker).where(worker.c.owner == name))


def _alive(connection: sa.Connection) -> Callable[[str], bool]:
    """Return what says whether the service of a name is at work: its lock, or its process on this machine."""
    if connection.dialect.name != "postgresql":
        return owner.is_at_work
    held = alive.held_numbers(connection)
    return lambda name: alive.lock_number(name) in held
