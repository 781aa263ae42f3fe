"""Claims: who runs which morning, and the one transaction in which a run is finished.

One row for (site, local date, edition). Whoever inserts it runs that morning; if that process dies, its claim runs out
and another takes over. Verdicts, outlook and mails are stored in the one transaction that finishes the run.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import sqlalchemy as sa

from gonogo.errors import StoreError
from gonogo.records.day_plan import DayPlan
from gonogo.records.verdict import Decision, OutlookDay
from gonogo.records.work_order import WorkOrder
from gonogo.store import planned, schema
from gonogo.store.clock import judged_utc
from gonogo.store.encoding import encoded
from gonogo.store.many_rows import insert_rows
from gonogo.store.owner import IsDead

CLAIM_S = 600.0


class TakenOverError(StoreError):
    """Another took the run over, since this one took too long: its result is dropped."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """The right to run one morning.

    attempt   1, or more where earlier ones died or gave up
    n_void    runs of the same morning that a wrong clock made, and whose mails may have gone
    """

    run_id: int
    site_id: str
    day: date
    edition: str
    owner: str
    attempt: int
    n_void: int = 0


class StillClaimedError(StoreError):
    """A run failed, and its claim could not be let go: nobody else gets the run until it is."""

    def __init__(self, claim: Claim, text: str) -> None:
        super().__init__(text)
        self.claim = claim


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRecord:
    """Everything that a run came to, enough to repeat it.

    config_text   the accepted configuration, without secrets; "" where none could be loaded
    seed          of the random numbers
    answer_id     the stored answer it used, None where there was none
    faults        faults that passed and what was mended, one sentence each
    error         traceback of what failed, "" where nothing did
    order         the order of work it proposed, None where it proposed none
    plan          the day plan it told, None where it made none
    """

    decisions: Sequence[Decision]
    outlook: Sequence[OutlookDay]
    config_text: str
    seed: int | None
    program_version: str
    answer_id: int | None
    faults: tuple[str, ...] = ()
    error: str = ""
    order: WorkOrder | None = None
    plan: DayPlan | None = None


def claim_run(
    store: sa.Engine,
    site_id: str,
    day: date,
    edition: str,
    *,
    now_utc: datetime,
    owner: str,
    takes_over: bool = False,
) -> Claim | None:
    """Claim the run of a site's local date, or return None where it is done or another is at it.

    edition      "morning", or the name of a later re-check
    owner        names this process; another for each process
    takes_over   takes it from whoever is at it, for a run that takes too long; what that one comes to is dropped
    """
    with schema.begin(store) as connection:
        wanted = Wanted(site_id=site_id, day=day, edition=edition, owner=owner, takes_over=takes_over)
        return claim(connection, wanted, now_utc=now_utc)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What is to be claimed, and by whom; fields as of claim_run."""

    site_id: str
    day: date
    edition: str
    owner: str
    takes_over: bool = False


def claim(connection: sa.Connection, wanted: Wanted, *, now_utc: datetime) -> Claim | None:
    """Claim a run in the caller's transaction, or return None where it is done or another is at it."""
    row = schema.run
    key = {"site_id": wanted.site_id, "day": wanted.day, "edition": wanted.edition}
    # Asked first: an insert that finds it there uses up a number.
    known = {found.edition: found.state for found in connection.execute(_KNOWN, key)}
    state = known.get(wanted.edition)
    if state == "finished":
        return None
    judged = judged_utc(connection, now_utc)
    own = {"owner": wanted.owner, "claimed_utc": judged, "lease_until_utc": judged + timedelta(seconds=CLAIM_S)}
    run_id, attempt = None, 1
    if state is None:
        fresh = key | own | {"state": "claimed", "attempt": 1, "faults": "[]", "error": ""}
        run_id = connection.scalar(schema.insert_new(connection, row, list(key)).returning(row.c.id), fresh)
    if run_id is None:
        free = sa.true() if wanted.takes_over else row.c.lease_until_utc <= judged
        taken_over = connection.execute(
            sa.update(row)
            .where(row.c.site_id == wanted.site_id, row.c.day == wanted.day, row.c.edition == wanted.edition)
            .where(row.c.state == "claimed", free)
            .values(**own, attempt=row.c.attempt + 1)
            .returning(row.c.id, row.c.attempt)
        ).first()
        if taken_over is None:
            return None
        run_id, attempt = taken_over.id, taken_over.attempt
    return Claim(
        run_id=run_id,
        site_id=wanted.site_id,
        day=wanted.day,
        edition=wanted.edition,
        owner=wanted.owner,
        attempt=attempt,
        n_void=sum(edition.startswith(f"{wanted.edition}{schema.VOID}") for edition in known),
    )


# The runs of a site and date that are known, those too that a wrong clock made: few, found by one index.
_KNOWN = sa.select(schema.run.c.edition, schema.run.c.state).where(
    schema.run.c.site_id == sa.bindparam("site_id"), schema.run.c.day == sa.bindparam("day")
)


def drop_claim(store: sa.Engine, claim: Claim) -> None:
    """Take a claim back as if it had never been made: a run on a wrong clock is no run."""
    row = schema.run
    with schema.begin(store) as connection:
        held = (row.c.id == claim.run_id, row.c.state == "claimed", row.c.owner == claim.owner)
        connection.execute(sa.delete(row).where(*held, row.c.attempt == claim.attempt))


def release_run(store: sa.Engine, claim: Claim, *, now_utc: datetime, error: str) -> None:
    """Give up a claim at once, with the reason, so that the next attempt need not wait for it to run out."""
    with schema.begin(store) as connection:
        connection.execute(_claimed(claim).values(lease_until_utc=judged_utc(connection, now_utc), error=_plain(error)))


def release_dead(store: sa.Engine, *, now_utc: datetime, is_dead: IsDead) -> int:
    """Let go of claims of processes that are known to be dead, and return how many those were."""
    row = schema.run
    with schema.read(store) as connection:
        judged = judged_utc(connection, now_utc)
        held = (row.c.state == "claimed", row.c.lease_until_utc > judged)
        owners = connection.scalars(sa.select(row.c.owner).where(*held).distinct()).all()
    dead = [owner for owner in owners if is_dead(owner)]
    if not dead:
        return 0
    with schema.begin(store) as connection:
        released = sa.update(row).where(*held, row.c.owner.in_(dead)).values(lease_until_utc=judged)
        return connection.execute(released).rowcount


_FINISH = (
    sa.update(schema.run)
    .where(schema.run.c.id == sa.bindparam("its_id"), schema.run.c.state == "claimed")
    .where(schema.run.c.owner == sa.bindparam("its_owner"), schema.run.c.attempt == sa.bindparam("its_attempt"))
    .values(
        {
            "state": "finished",
            **{
                name: sa.bindparam(name)
                for name in (
                    "finished_utc", "answer_id", "config_sha256", "seed", "program_version", "faults", "error",
                )
            },
        }
    )
)  # fmt: skip


def finish_run(connection: sa.Connection, claim: Claim, record: RunRecord, *, now_utc: datetime) -> None:
    """Store what a run came to, in the caller's transaction, where the mails of the run go into the outbox too.

    Raises TakenOverError where the claim has been taken over meanwhile: the transaction then stores nothing.
    """
    config_sha256 = _save_config(connection, record.config_text, now_utc)
    finished = connection.execute(
        _FINISH,
        {
            "its_id": claim.run_id,
            "its_owner": claim.owner,
            "its_attempt": claim.attempt,
            "finished_utc": now_utc,
            "answer_id": record.answer_id,
            "config_sha256": config_sha256,
            "seed": None if record.seed is None else str(record.seed),
            "program_version": record.program_version,
            "faults": json.dumps([_plain(fault) for fault in record.faults]),
            "error": _plain(record.error),
        },
    )
    if finished.rowcount != 1:
        raise TakenOverError(
            f"The {claim.edition} run of {claim.site_id} on {claim.day} was taken over by another service, "
            "since this one took too long. Its result is dropped; nothing was sent."
        )
    planned.mark_done(connection, claim.site_id, claim.day, claim.edition)
    _save_verdicts(connection, claim.run_id, record)


def _save_verdicts(connection: sa.Connection, run_id: int, record: RunRecord) -> None:
    if record.decisions:
        insert_rows(connection, schema.verdict, [
            {
                "run_id": run_id,
                "strip_id": decision.strip_id,
                "position": position,
                "verdict": decision.verdict.value,
                "rule_id": decision.rule_id,
                "reason": decision.reason,
                "record": encoded(decision),
            }
            for position, decision in enumerate(record.decisions)
        ])  # fmt: skip
    if record.outlook:
        insert_rows(connection, schema.outlook_day, [
            {
                "run_id": run_id,
                "strip_id": outlook_day.strip_id,
                "day": outlook_day.day,
                "position": position,
                "record": encoded(outlook_day),
            }
            for position, outlook_day in enumerate(record.outlook)
        ])  # fmt: skip
    if record.order is not None:
        insert_rows(connection, schema.work_order, [{"run_id": run_id, "record": encoded(record.order)}])
    if record.plan is not None:
        insert_rows(connection, schema.day_plan, [{"run_id": run_id, "record": encoded(record.plan)}])


def _claimed(claim: Claim) -> sa.Update:
    """An update that hits only while the claim is the one that was given."""
    row = schema.run
    return sa.update(row).where(
        row.c.id == claim.run_id,
        row.c.state == "claimed",
        row.c.owner == claim.owner,
        row.c.attempt == claim.attempt,
    )


def _save_config(connection: sa.Connection, text: str, now_utc: datetime) -> str | None:
    """Keep a configuration once, and return its hash."""
    if not text:
        return None
    sha256 = hashlib.sha256(text.encode()).hexdigest()
    copy = {"sha256": sha256, "text": text, "first_seen_utc": now_utc}
    connection.execute(schema.insert_new(connection, schema.config_copy, ["sha256"]), copy)
    return sha256


def _plain(text: str) -> str:
    """A text as PostgreSQL can hold it."""
    return text.replace("\x00", "")
