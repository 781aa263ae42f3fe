"""Mails past the outbox, for the moments when the database is what fails: each goes once for this process.

Whoever asks does so for one site after the other, again and again: a server that is silent as well must not cost each
of a thousand sites its patience, nor may a mail that was refused be offered a thousand times.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Iterable
from time import monotonic

from gonogo.errors import DeliveryError, TransportError
from gonogo.outgoing import delivery
from gonogo.outgoing.delivery import OpenTransport
from gonogo.outgoing.envelope import always_ours
from gonogo.outgoing.rounds import FAULTS_THAT_END_A_ROUND
from gonogo.records.outside import Transport
from gonogo.store.queued import Envelope

log = logging.getLogger("gonogo.outgoing.direct")

TRIED_AGAIN_S = 15.0  # of a mail that did not go, and of a server that took none of several


class Direct:
    """Sends notices without a database, and remembers which have gone or were refused for good."""

    def __init__(self, now_s: Callable[[], float] = monotonic) -> None:
        self._now_s = now_s
        self._settled: set[str] = set()
        self._next_s: dict[str, float] = {}
        self._n_faults, self._server_s = 0, -math.inf

    def send(self, transport: Transport, envelopes: Iterable[Envelope]) -> bool:
        """Send what has not gone yet and was not tried just now; return whether nothing is left to be tried."""
        wanted = [envelope for envelope in envelopes if envelope.message_id not in self._settled]
        waiting = [e for e in wanted if self._next_s.get(e.message_id, -math.inf) <= self._now_s()]
        if waiting and self._server_s <= self._now_s():
            try:
                with delivery.opened(transport) as opened:
                    self._send(opened, waiting)
            except DeliveryError as error:
                log.error("notices did not go: %s", error)
                self._server_s = self._now_s() + TRIED_AGAIN_S
        return all(envelope.message_id in self._settled for envelope in wanted)

    def _send(self, opened: OpenTransport, waiting: Iterable[Envelope]) -> None:
        """Send one mail after the other, until the server has taken none of several."""
        for envelope in waiting:
            error = self._tried(opened, envelope)
            self._n_faults = self._n_faults + 1 if isinstance(error, TransportError) else 0
            if error is None or not error.passing:
                self._settled.add(envelope.message_id)
                continue
            self._next_s[envelope.message_id] = self._now_s() + TRIED_AGAIN_S
            if self._n_faults >= FAULTS_THAT_END_A_ROUND:
                self._n_faults, self._server_s = 0, self._now_s() + TRIED_AGAIN_S
                return

    def _tried(self, opened: OpenTransport, envelope: Envelope) -> DeliveryError | None:
        """Send one mail, and return what kept it from going."""
        try:
            opened.deliver(envelope, always_ours)
        except DeliveryError as error:
            log.error("a notice did not go: %s", error, extra={"site": envelope.site_id})
            return error
        return None
