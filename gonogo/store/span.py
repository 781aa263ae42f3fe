"""What is stored of a span of time, read piece by piece: a year needs no more memory than a day."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime

import sqlalchemy as sa

from gonogo.records.field import StationDay
from gonogo.records.verdict import Decision, OutlookDay
from gonogo.store import schema
from gonogo.store.answers import GOOD, StoredAnswer, stored_answer
from gonogo.store.encoding import decoded
from gonogo.store.history import STATION_DAY, StoredEntry, stored_entry
from gonogo.store.leases import queued_of
from gonogo.store.packed import unpacked
from gonogo.store.queued import Queued
from gonogo.store.runs import Run, decisions, run_of

AT_ONCE = 500  # rows in memory


def first_day(connection: sa.Connection, site_id: str) -> date | None:
    """Return the local date of a site's first finished run, None where there is none."""
    row = schema.run
    query = sa.select(sa.func.min(row.c.day)).where(row.c.site_id == site_id, row.c.state == "finished")
    found: date | None = connection.scalar(query)
    return found


def runs_of_day(connection: sa.Connection, site_id: str, day: date) -> tuple[Run, ...]:
    """Return the finished runs of a local date, oldest first."""
    row = schema.run
    query = sa.select(row).where(row.c.site_id == site_id, row.c.day == day, row.c.state == "finished")
    return tuple(run_of(found) for found in connection.execute(query.order_by(row.c.finished_utc, row.c.id)))


def decisions_of(connection: sa.Connection, run: Run) -> tuple[Decision, ...]:
    """Return the verdicts of a run in the order of the strips."""
    return decisions(connection, run.id)


def outlook_of_day(connection: sa.Connection, run: Run, day: date) -> OutlookDay | None:
    """Return what a run foresaw of a local date for its first strip: the weather in it is the site's."""
    row = schema.outlook_day
    query = sa.select(row.c.record).where(row.c.run_id == run.id, row.c.day == day).order_by(row.c.position).limit(1)
    text = connection.scalar(query)
    if text is not None:
        return decoded(text, OutlookDay)
    return next((ahead for ahead in unpacked(connection, run.id).outlook if ahead.day == day), None)


def answers_between(
    connection: sa.Connection, site_id: str, since_utc: datetime, until_utc: datetime
) -> Iterator[StoredAnswer]:
    """Yield a site's good answers that came in a span, oldest first."""
    kept = schema.answer
    query = (
        sa.select(kept.c.id)
        .where(kept.c.site_id == site_id, kept.c.status.in_(GOOD), kept.c.rejected.is_(None))
        .where(kept.c.fetched_utc >= since_utc, kept.c.fetched_utc < until_utc, kept.c.service.not_like("%/%"))
        .order_by(kept.c.fetched_utc, kept.c.id)
    )
    for number in connection.scalars(query).all():
        yield stored_answer(connection, number)


def entry_lines(
    connection: sa.Connection, site_id: str, since_utc: datetime, until_utc: datetime
) -> Iterator[StoredEntry]:
    """Yield every line of the log of entries whose own time (of a withdrawal: its entering) lies in a span."""
    log = schema.entry
    later = log.alias("later")
    query = (
        sa.select(log, later.c.id.label("corrected_by_id"))
        .outerjoin(later, later.c.corrects_id == log.c.id)
        .where(log.c.site_id == site_id, log.c.at_utc >= since_utc, log.c.at_utc < until_utc)
        .order_by(log.c.id)
    )
    for row in connection.execute(query).yield_per(AT_ONCE):
        yield stored_entry(row)


def station_days(
    connection: sa.Connection, site_id: str, since_utc: datetime, until_utc: datetime
) -> dict[tuple[str, date], StoredEntry]:
    """Return what weather stations read on dates that began in a span, by station and date, as far as in force."""
    log = schema.entry
    later = log.alias("later")
    query = (
        sa.select(log, later.c.id.label("corrected_by_id"))
        .outerjoin(later, later.c.corrects_id == log.c.id)
        .where(log.c.site_id == site_id, log.c.kind == STATION_DAY, later.c.id.is_(None))
        .where(log.c.at_utc >= since_utc, log.c.at_utc < until_utc)
    )
    lines = (stored_entry(row) for row in connection.execute(query))
    return {(line.entry.station, line.entry.day): line for line in lines if isinstance(line.entry, StationDay)}


def mails(connection: sa.Connection, site_id: str, since_utc: datetime, until_utc: datetime) -> Iterator[Queued]:
    """Yield the mails put for a site in a span, oldest first, without their bodies."""
    mail = schema.message
    query = (
        sa.select(mail)
        .where(mail.c.site_id == site_id, mail.c.put_utc >= since_utc, mail.c.put_utc < until_utc)
        .order_by(mail.c.put_utc, mail.c.id)
    )
    for row in connection.execute(query).yield_per(AT_ONCE):
        yield queued_of(row)
