"""The delivery worker: lease one message, deliver it, mark it and lease the next in one step.

One at a time on purpose. A lease covers exactly the message being delivered, so a slow server cannot let the leases
of others run out behind it; and a process that dies leaves one message behind, the one that it was at.

    waiting --lease--> delivering --taken--> sent
                           |-- put off (4xx, server down) --> waiting, later
                           |-- refused for good (5xx) ------> refused      + a word to the operator
                           |-- our own fault, 5 times ------> set aside    + a word to the operator
    waiting past its deadline -----------------------------> expired      + a short notice instead
"""

from __future__ import annotations

import logging
import random
import traceback
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import partial
from typing import Protocol

import sqlalchemy as sa

from gonogo.errors import DeliveryError, StoreError, TransportError
from gonogo.outgoing import delivery
from gonogo.outgoing.envelope import Letter
from gonogo.outgoing.folder import Folder
from gonogo.outgoing.smtp import LETTER_LIMIT_S, Connection
from gonogo.records.outside import Transport
from gonogo.store import outbox
from gonogo.store.outbox import Instead, OutMessage, Queued
from gonogo.store.owner import IsDead, is_dead

log = logging.getLogger("gonogo.outgoing.delivery")

# Far above the limit of one letter, so that a worker that is alive never loses a lease.
LEASE_S = 2.5 * LETTER_LIMIT_S

FIRST_WAIT_S = 15.0
LONGEST_WAIT_S = 300.0
# After so many faults of the server in a row the round ends: the rest would only wait for the same fault.
FAULTS_THAT_END_A_ROUND = 3
# Tries to store that a mail has gone, before the process keeps it in mind for the next round.
TRIES_TO_MARK = 3


class Post(Protocol):
    """What takes letters: a server connection or a folder."""

    def deliver(self, letter: Letter) -> None: ...


@dataclass(slots=True)
class Memory:
    """What one process remembers from round to round: mails that went, but whose mark the database refused."""

    went: set[str] = field(default_factory=set)


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryReport:
    """What one round did. put_off: passing faults; server_fault: "" or what is wrong with the server as a whole."""

    sent: tuple[Queued, ...] = ()
    put_off: tuple[Queued, ...] = ()
    refused: tuple[Queued, ...] = ()
    expired: tuple[Queued, ...] = ()
    set_aside: tuple[Queued, ...] = ()
    server_fault: str = ""

    @property
    def is_good(self) -> bool:
        """Nothing was lost, late, refused or put off."""
        return not (self.put_off or self.refused or self.expired or self.set_aside or self.server_fault)


def nothing_instead(_message: Queued) -> Iterable[OutMessage]:
    """For a caller that wants no message in place of one that will not go out."""
    return ()


def post(transport: Transport) -> AbstractContextManager[Post]:
    """Return the post of a transport: a connection to its server, or its folder."""
    return Folder(transport) if transport.kind == "folder" else Connection(transport)


def wait_s(n_tries: int, rng: random.Random) -> float:
    """Return how long to wait after the n-th try: doubling to a limit, and shortened by chance by up to a half.

    The chance keeps mails that failed together from coming back together. Limits: common practice, no source.
    """
    longest = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(n_tries - 1, 16))
    return longest * rng.uniform(0.5, 1.0)


def work(
    store: sa.Engine,
    transport: Transport,
    *,
    now_utc: Callable[[], datetime],
    owner: str,
    rng: random.Random,
    memory: Memory,
    limit: int | None = None,
    expired_instead: Instead = nothing_instead,
    failed_instead: Instead = nothing_instead,
    open_post: Callable[[Transport], AbstractContextManager[Post]] = post,
    may_go_on: Callable[[], bool] = lambda: True,
    is_dead: IsDead = is_dead,
) -> DeliveryReport:
    """Deliver what is due, one round, and report. Safe to run in several processes on one database.

    now_utc           the clock, asked before each message
    owner             names this worker; another for each process
    memory            kept by the caller from round to round
    limit             at most so many messages, None = all that are due
    expired_instead   makes what goes out in place of a message whose deadline passed
    failed_instead    makes what goes out because a message was refused for good or set aside; both are asked about
                      notices too (look at `kind`), and are called inside a transaction: they only make messages
    may_go_on         asked between messages; False ends the round, as for a service that is told to stop
    is_dead           whether a worker is known to be dead: what it held is taken over at once

    Raises StoreError where the database refuses; mails that went by then are kept in `memory`.
    """
    _settle_remembered(store, memory, now_utc())
    outbox.release_dead(store, now_utc=now_utc(), is_dead=is_dead)
    expired = outbox.expire(store, now_utc=now_utc(), instead=expired_instead)
    set_aside = outbox.set_aside(store, now_utc=now_utc(), tell=failed_instead)
    done: dict[str, list[Queued]] = {"sent": [], "put_off": [], "refused": []}
    server_fault, n_faults, n_left = "", 0, limit
    try:
        with open_post(transport) as opened:
            take = partial(outbox.lease, store, owner=owner, lease_s=LEASE_S)
            leased = take(now_utc=now_utc()) if n_left != 0 and may_go_on() else ()
            while leased:
                one, error = leased[0], _tried(opened, leased[0])
                n_left = None if n_left is None else n_left - 1
                is_server_fault = isinstance(error, TransportError)
                server_fault, n_faults = (str(error), n_faults + 1) if is_server_fault else ("", 0)
                goes_on = n_faults < FAULTS_THAT_END_A_ROUND and n_left != 0 and may_go_on()
                if error is None:
                    leased = _mark_sent(store, one, now_utc, memory, takes_next=goes_on)
                    done["sent"].append(one)
                else:
                    done[_marked(store, one, error, now_utc, rng, failed_instead)].append(one)
                    leased = take(now_utc=now_utc()) if goes_on else ()
    except TransportError as error:  # a folder that cannot be used at all, or whose index cannot be written
        server_fault = str(error)
    return DeliveryReport(
        sent=tuple(done["sent"]),
        put_off=tuple(done["put_off"]),
        refused=tuple(done["refused"]),
        expired=expired,
        set_aside=set_aside,
        server_fault=server_fault,
    )


def _tried(opened: Post, one: Queued) -> Exception | None:
    """Deliver a message; return what went wrong, None where nothing did."""
    letter = Letter(
        message_id=one.message_id,
        address=one.address,
        raw=one.raw,
        site_id=one.site_id,
        crew_id=one.crew_id,
        kind=one.kind,
        role=one.role,
        name=one.name,
    )
    try:
        opened.deliver(letter)
    except Exception as error:  # noqa: BLE001  a fault of our own over one message must not stop the others
        return error
    return None


def _marked(
    store: sa.Engine,
    one: Queued,
    error: Exception,
    now_utc: Callable[[], datetime],
    rng: random.Random,
    failed_instead: Instead,
) -> str:
    """Store what became of a message that did not go, and return it in a word of the report."""
    if isinstance(error, DeliveryError) and not error.passing:
        outbox.refused(store, one, now_utc=now_utc(), error=str(error), tell=failed_instead)
        return "refused"
    is_our_fault = not isinstance(error, DeliveryError)
    if is_our_fault:
        log.error("message %s failed by a fault of our own: %s", one.message_id, type(error).__name__)
    text = "".join(traceback.format_exception(error)) if is_our_fault else str(error)
    retry_utc = now_utc() + timedelta(seconds=wait_s(one.n_tries, rng))
    outbox.failed(store, one, retry_utc=retry_utc, error=text, is_our_fault=is_our_fault)
    return "put_off"


def _mark_sent(
    store: sa.Engine, one: Queued, now_utc: Callable[[], datetime], memory: Memory, *, takes_next: bool
) -> tuple[Queued, ...]:
    """Store that a mail has gone. It has, whatever the database says, so this is tried hard and never forgotten.

    takes_next   lease the next message in the same transaction, and return it
    """
    memory.went.add(one.message_id)
    for n_left in reversed(range(TRIES_TO_MARK)):
        try:
            if takes_next:
                owner = one.lease_owner or ""
                leased = outbox.sent_and_next(store, one, now_utc=now_utc(), owner=owner, lease_s=LEASE_S)
            else:
                leased = ()
                if not outbox.sent(store, one, now_utc=now_utc()):
                    # The lease ran out meanwhile. The mail has gone all the same: nobody shall send it again.
                    outbox.settle_sent(store, [one.message_id], now_utc=now_utc())
        except StoreError:
            if n_left == 0:
                raise
        else:
            memory.went.discard(one.message_id)
            return leased
    raise AssertionError("the last try returns or raises")


def _settle_remembered(store: sa.Engine, memory: Memory, at_utc: datetime) -> None:
    """Store what the database refused to store in an earlier round."""
    if memory.went:
        outbox.settle_sent(store, sorted(memory.went), now_utc=at_utc)
        memory.went.clear()


def delivery_line(report: delivery.DeliveryReport, transport: Transport) -> str:
    """Return what one round of delivery did, in a line or a few."""
    where = f"written to {transport.folder}" if transport.kind == "folder" else f"sent through {transport.host}"
    parts = [f"{len(report.sent)} mails {where}"]
    for name, what in (
        ("put_off", "put off, to be tried again"),
        ("refused", "refused for good"),
        ("expired", "too late"),
        ("set_aside", "set aside"),
    ):
        if n := len(getattr(report, name)):
            parts.append(f"{n} {what}")
    if report.server_fault:
        parts.append(f"mail server: {report.server_fault}")
    return "; ".join(parts) + "."
