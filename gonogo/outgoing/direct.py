"""Mails past the outbox, for the moments when the database is what fails: each goes once for this process.

Whoever asks does so for one site after the other, again and again: a server that is silent as well must not cost each
of a thousand sites its patience, nor may a mail that was refused be offered a thousand times, or one that went be made
again.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Hashable, Iterable
from time import monotonic

from gonogo.config import Config
from gonogo.errors import DeliveryError, TransportError
from gonogo.outgoing import delivery
from gonogo.outgoing.delivery import OpenTransport
from gonogo.outgoing.envelope import always_ours
from gonogo.outgoing.rounds import FAULTS_THAT_END_A_ROUND
from gonogo.records.outside import Transport
from gonogo.store.queued import Envelope

log = logging.getLogger("gonogo.outgoing.direct")

TRIED_AGAIN_S = 15.0  # a server that took none of several, and a mail that did not go; of this the pause doubles
TRIED_AGAIN_MOST_S = 240.0  # so that one mail that a server does not answer leaves time for all others
# What a server may cost by faults in a row: the next of many sites, and all else that the asker does, wait behind it.
PATIENCE_S = 5.0
MOST_KEPT = 5_000  # notices that wait to be tried again, a few kB each; further ones are made anew


class Direct:
    """Sends notices without a database, and remembers which have gone or were refused for good."""

    def __init__(self, now_s: Callable[[], float] = monotonic) -> None:
        self._now_s = now_s
        self._settled: set[str] = set()
        self._next_s: dict[str, float] = {}
        self._pause_s: dict[str, float] = {}
        self._made: dict[Hashable, tuple[Config, tuple[Envelope, ...]]] = {}  # none where all is settled
        self._n_faults, self._fault_s, self._server_s = 0, 0.0, -math.inf

    @property
    def is_pausing(self) -> bool:
        """Whether the server took none of several just now: nothing is tried."""
        return self._now_s() < self._server_s

    def send_made(self, key: Hashable, config: Config, make: Callable[[], Iterable[Envelope]]) -> bool:
        """Send what is made for a key of a config, as `send` does: made when it can be tried, kept until it went."""
        of, kept = self._made.get(key, (None, None))
        kept = kept if of is config else None
        if kept == ():
            return True
        if self.is_pausing:
            return False
        envelopes = tuple(make()) if kept is None else kept
        is_settled = self.send(config.transport, envelopes)
        if is_settled or len(self._made) < MOST_KEPT:
            self._made[key] = (config, () if is_settled else envelopes)
        return is_settled

    def send(self, transport: Transport, envelopes: Iterable[Envelope]) -> bool:
        """Send what has not gone yet and was not tried just now; return whether nothing is left to be tried."""
        wanted = [envelope for envelope in envelopes if envelope.message_id not in self._settled]
        waiting = [e for e in wanted if self._next_s.get(e.message_id, -math.inf) <= self._now_s()]
        if waiting and not self.is_pausing:
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
            began_s = self._now_s()
            error = self._tried(opened, envelope)
            if isinstance(error, TransportError):
                self._n_faults, self._fault_s = self._n_faults + 1, self._fault_s + self._now_s() - began_s
            else:
                self._n_faults, self._fault_s = 0, 0.0
            if error is None or not error.passing:
                self._settled.add(envelope.message_id)
                continue
            pause_s = self._pause_s.get(envelope.message_id, TRIED_AGAIN_S)
            self._pause_s[envelope.message_id] = min(2.0 * pause_s, TRIED_AGAIN_MOST_S)
            self._next_s[envelope.message_id] = self._now_s() + pause_s
            if self._n_faults >= FAULTS_THAT_END_A_ROUND or self._fault_s >= PATIENCE_S:
                self._n_faults, self._fault_s, self._server_s = 0, 0.0, self._now_s() + TRIED_AGAIN_S
                return

    def _tried(self, opened: OpenTransport, envelope: Envelope) -> DeliveryError | None:
        """Send one mail, and return what kept it from going."""
        try:
            opened.deliver(envelope, always_ours)
        except DeliveryError as error:
            log.error("a notice did not go: %s", error, extra={"site": envelope.site_id})
            return error
        return None
