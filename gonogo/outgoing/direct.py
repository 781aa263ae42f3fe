"""Mails past the outbox, for the moments when the database is what fails: each goes once for this process."""

from __future__ import annotations

import logging
from collections.abc import Iterable

from gonogo.errors import DeliveryError
from gonogo.outgoing import delivery
from gonogo.outgoing.envelope import always_ours
from gonogo.records.outside import Transport
from gonogo.store.queued import Envelope

log = logging.getLogger("gonogo.outgoing.direct")


class Direct:
    """Sends notices without a database, and remembers which have gone."""

    def __init__(self) -> None:
        self._gone: set[str] = set()

    def send(self, transport: Transport, envelopes: Iterable[Envelope]) -> bool:
        """Send what has not gone yet; return whether all of it has gone by now."""
        waiting = [envelope for envelope in envelopes if envelope.message_id not in self._gone]
        if not waiting:
            return True
        try:
            with delivery.opened(transport) as opened:
                for envelope in waiting:
                    try:
                        opened.deliver(envelope, always_ours)
                    except DeliveryError as error:
                        log.error("a notice did not go: %s", error, extra={"site": envelope.site_id})
                    else:
                        self._gone.add(envelope.message_id)
        except DeliveryError as error:
            log.error("notices did not go: %s", error)
        return all(envelope.message_id in self._gone for envelope in waiting)
