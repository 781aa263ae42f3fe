"""The delivery worker: lease one mail, deliver it, mark it and lease the next in one step.

One at a time by each connection, on purpose. A lease covers exactly the mail being delivered, so a slow server cannot
let the leases of others run out behind it; and a process that dies leaves behind the mails that it was at, one a
connection. The first connection goes ahead: others follow once the server has shown by it that it can be used.

    waiting --lease--> delivering --taken--> sent
                           |-- put off (4xx, server down) --> waiting, later
                           |-- refused for good (5xx) ------> refused      + a mail to the operator
                           |-- our own fault, 5 times ------> dead letter  + a plain notice, a mail to the operator
    waiting past its deadline -----------------------------> expired      + a short notice instead
"""

from __future__ import annotations

import logging
import math
import random
import traceback
from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import partial
from time import monotonic
from typing import Protocol

import sqlalchemy as sa

from gonogo.errors import DeliveryError, StoreBusyError, StoreError, TooManyConnectionsError, TransportError
from gonogo.outgoing.connections import MAILS_EACH, MOST_UNASKED
from gonogo.outgoing.envelope import LeaseLostError
from gonogo.outgoing.folder import Folder
from gonogo.outgoing.rounds import DeliveryReport, Memory, Round, wait_s
from gonogo.outgoing.smtp import MAIL_LIMIT_S, Connection
from gonogo.outgoing.sweep import Sweep, unless_busy
from gonogo.records.outside import Transport
from gonogo.store import outbox
from gonogo.store.owner import IsDead, is_dead
from gonogo.store.patience import patiently
from gonogo.store.queued import Envelope, Fallback, Queued

log = logging.getLogger("gonogo.outgoing.delivery")

# Far above the limit of one mail, so that a worker that is alive never loses a lease.
LEASE_S = 2.5 * MAIL_LIMIT_S

# Mails come in while a round goes on: so often the first connection looks whether more are wanted.
COUNTED_EVERY_S = 2.0

# Tries to store that a mail has gone, before the process keeps it in mind for the next round.
TRIES_TO_MARK = 3
# How long a connection waits with a mail in its hand for another's lock. Servers wait five minutes for its content:
# RFC 5321, section 4.5.3.2.
ASKED_FOR_S = 60.0


class OpenTransport(Protocol):
    """What takes envelopes: a server connection or a folder."""

    def deliver(self, envelope: Envelope, is_ours: Callable[[], bool]) -> None: ...


def no_fallback(_queued: Queued) -> Iterable[Envelope]:
    """For a caller that wants no mail in place of one that will not go out."""
    return ()


def opened(transport: Transport) -> AbstractContextManager[OpenTransport]:
    """Return a transport ready for use: a connection to its server, or its folder."""
    return Folder(transport) if transport.kind == "folder" else Connection(transport)


@dataclass(slots=True, kw_only=True)
class Worker:
    """A worker that delivers what is due, one round at a time. Several may share one database.

    now_utc           the clock, asked before each mail
    owner             names this worker; another for each process
    memory            kept from round to round
    expired_fallback   makes what goes out in place of a mail whose deadline passed
    failed_fallback    makes what goes out because a mail was refused for good or became a dead letter; both are asked
                      about notices too (look at `kind`), and are called inside a transaction: they only make mails
    may_go_on         asked between mails; False ends the round, as for a service that is told to stop
    may_expire        False while it is not sure that the clock is right: mails past their deadline then wait, unsent
    is_dead           whether a worker is known to be dead: what it held is taken over at once
    tell_together     puts mails to the operator together that have waited for each other; until then none is leased
    """

    store: sa.Engine
    transport: Transport
    now_utc: Callable[[], datetime]
    owner: str
    rng: random.Random = field(default_factory=random.Random)
    memory: Memory = field(default_factory=Memory)
    expired_fallback: Fallback = no_fallback
    failed_fallback: Fallback = no_fallback
    open_transport: Callable[[Transport], AbstractContextManager[OpenTransport]] = opened
    may_go_on: Callable[[], bool] = lambda: True
    may_expire: bool = True
    is_dead: IsDead = is_dead
    tell_together: Callable[[], object] = lambda: None

    def round(self, limit: int | None = None) -> DeliveryReport:
        """Deliver what is due, at most `limit` mails, and report.

        Raises StoreError where the database refuses; mails that went by then are kept in `memory`.
        """
        unless_busy(self._settle_remembered)
        sweep = self._sweep()
        sweep.begin()
        going = Round(n_left=limit)
        try:
            self._deliver(going, sweep)
            if going.n_turned_away:  # what a refused connection gave back may have come too late for the others
                self._by_one_connection(going, sweep)
        except TransportError as error:  # a folder that cannot be used at all, or whose index cannot be written
            going.server_fault = str(error)
        except StoreError:
            self.memory.may_hold = True
            raise
        return going.report(expired=tuple(sweep.expired), dead_letters=tuple(sweep.dead_letters))

    def _sweep(self) -> Sweep:
        return Sweep(
            store=self.store,
            now_utc=self.now_utc,
            owner=self.owner,
            memory=self.memory,
            expired_fallback=self.expired_fallback,
            failed_fallback=self.failed_fallback,
            may_expire=self.may_expire,
            is_dead=self.is_dead,
            tell_together=self.tell_together,
        )

    def _deliver(self, going: Round, sweep: Sweep) -> None:
        """Deliver by one connection, and by as many more as are wanted once the server has shown that it is there."""
        most = self.transport.connections or MOST_UNASKED
        others: list[Future[None]] = []
        with ThreadPoolExecutor(most, thread_name_prefix="gonogo-mail") as pool:

            def follow() -> None:
                n_due = (
                    unless_busy(lambda: outbox.count_due(self.store, now_utc=self.now_utc(), most=most * MAILS_EACH))
                    or 0
                )
                wanted = self.memory.limit.wanted(self.transport, n_due + going.n_open)  # each open one has one in hand
                others.extend(pool.submit(self._beside, going, sweep) for _ in range(going.opened(wanted)))

            self._by_one_connection(going, sweep, follow)
        for other in others:
            other.result()

    def _beside(self, going: Round, sweep: Sweep) -> None:
        """Deliver by one more connection, until nothing is due."""
        was_turned_away = False
        try:
            was_turned_away = self._by_one_connection(going, sweep)
        finally:
            if not was_turned_away:
                going.ended()

    def _by_one_connection(self, going: Round, sweep: Sweep, follow: Callable[[], None] = lambda: None) -> bool:
        """Deliver one mail after the other, and return whether the server had no room for the connection.

        follow   called once the server has answered for a mail, and now and then afterwards
        """
        with self.open_transport(self.transport) as transport:
            followed_s = -math.inf
            leased = self._lease() if self._goes_on(going) else ()
            while leased:
                queued = leased[0]
                has_gone = queued.message_id in self.memory.went
                error = None if has_gone else self._tried(transport, queued)
                if isinstance(error, TooManyConnectionsError) and (n_open := going.turned_away()):
                    self.memory.limit.refused_beside(n_open)
                    log.info("%s", error)
                    outbox.failed(self.store, queued, retry_utc=self.now_utc(), error=str(error))
                    return True
                going.note(error)
                sweep.now_and_then()
                leased = self._settled_and_next(going, queued, error)
                if leased and not isinstance(error, TransportError) and monotonic() - followed_s >= COUNTED_EVERY_S:
                    followed_s = monotonic()
                    follow()
        return False

    def _settled_and_next(self, going: Round, queued: Queued, error: Exception | None) -> tuple[Queued, ...]:
        """Store what became of a mail, and lease the next where the round goes on."""
        goes_on = self._goes_on(going)
        if error is None:
            leased = self._mark_sent(queued, takes_next=goes_on)
            going.sent.append(queued.without_raw())
            return leased
        self._mark_unsent(queued, error, going)
        return self._lease() if goes_on else ()

    def _goes_on(self, going: Round) -> bool:
        return going.take() and self.may_go_on()

    def _lease(self) -> tuple[Queued, ...]:
        return outbox.lease(self.store, now_utc=self.now_utc(), owner=self.owner, lease_s=LEASE_S)

    def _is_ours(self, queued: Queued) -> bool:
        """Whether a mail is still this worker's, and will be until it has gone: asked before its content goes."""

        def step() -> bool:
            return outbox.renewed(self.store, queued, now_utc=self.now_utc(), least_s=MAIL_LIMIT_S, lease_s=LEASE_S)

        return patiently(step, limit_s=ASKED_FOR_S)

    def _tried(self, transport: OpenTransport, queued: Queued) -> Exception | None:
        """Deliver a mail; return what went wrong, None where nothing did. Raises StoreError."""
        try:
            transport.deliver(queued.envelope, partial(self._is_ours, queued))
        except StoreError:  # the database refused to say whose the mail is; it was not sent
            raise
        except Exception as error:  # noqa: BLE001  a fault of our own over one mail must not stop the others
            return error
        return None

    def _mark_unsent(self, queued: Queued, error: Exception, done: Round) -> None:
        """Store and note what became of a mail that did not go."""
        if isinstance(error, LeaseLostError):
            log.warning("%s", error)
            return
        if isinstance(error, DeliveryError) and not error.passing:
            outbox.refused(self.store, queued, now_utc=self.now_utc(), error=str(error), tell=self.failed_fallback)
            done.refused.append(queued.without_raw())
            return
        is_our_fault = not isinstance(error, DeliveryError)
        if is_our_fault:
            log.error("message %s failed by a fault of our own: %s", queued.message_id, type(error).__name__)
        text = "".join(traceback.format_exception(error)) if is_our_fault else str(error)
        retry_utc = self.now_utc() + timedelta(seconds=wait_s(queued.n_tries, self.rng))
        outbox.failed(self.store, queued, retry_utc=retry_utc, error=text, is_our_fault=is_our_fault)
        done.put_off.append(queued.without_raw())

    def _mark_sent(self, queued: Queued, *, takes_next: bool) -> tuple[Queued, ...]:
        """Store that a mail has gone. It has, whatever the database says, so this is tried hard and never forgotten.

        takes_next   lease the next mail in the same transaction, and return it
        """
        self.memory.went.add(queued.message_id)
        for n_left in reversed(range(TRIES_TO_MARK)):
            try:
                leased = self._settled(queued, takes_next=takes_next)
            except StoreBusyError:  # it may be this mail alone that is locked: the others go on
                return self._lease() if takes_next else ()
            except StoreError:
                if n_left == 0:
                    raise
            else:
                self.memory.went.discard(queued.message_id)
                return leased
        raise AssertionError("the last try returns or raises")

    def _settled(self, queued: Queued, *, takes_next: bool) -> tuple[Queued, ...]:
        if takes_next:
            return outbox.sent_and_next(
                self.store, queued, now_utc=self.now_utc(), owner=queued.lease_owner or "", lease_s=LEASE_S
            )
        if not outbox.sent(self.store, queued, now_utc=self.now_utc()):
            # The lease ran out meanwhile. The mail has gone all the same: nobody shall send it again.
            outbox.settle_sent(self.store, [queued.message_id], now_utc=self.now_utc())
        return ()

    def _settle_remembered(self) -> None:
        """Store what the database refused to store in an earlier round."""
        if self.memory.went:
            outbox.settle_sent(self.store, sorted(self.memory.went), now_utc=self.now_utc())
            self.memory.went.clear()
