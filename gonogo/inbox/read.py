"""One reading of the mailbox: every mail in it taken and moved to where it belongs, and the reading noted."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from datetime import datetime

import dkim.dnsplug
import dns.exception
import sqlalchemy as sa

from gonogo.inbox.mailbox import InboxError, MailPlace, OpenMailbox, opened
from gonogo.inbox.take import Desk, take
from gonogo.store import replies, schema

log = logging.getLogger("gonogo.inbox.read")

DNS_TIMEOUT_S = 5
WAITED_AT_ONCE_S = 5.0  # between two looks whether the service is to stop


def dns_text(name: bytes) -> bytes | None:
    """Return the TXT record of a DNS name, None where there is none or nobody answers: then nothing is vouched for."""
    try:
        found = dkim.dnsplug.get_txt(name, timeout=DNS_TIMEOUT_S)
    except (dns.exception.DNSException, OSError, ValueError, LookupError):
        return None
    return found if isinstance(found, bytes) else None


def read_once(desk: Desk, box: OpenMailbox) -> int:
    """Take every mail of an open mailbox, and return how many. Raises StoreError, and what the mailbox raises."""
    seen: set[str] = set()
    while arrived := [mail for mail in box.arrived() if mail.uid not in seen]:
        places: dict[MailPlace, list[str]] = {}
        try:
            for mail in arrived:
                places.setdefault(take(desk, mail.raw), []).append(mail.uid)
        finally:  # what was taken by then is moved whatever became of the rest
            for place, uids in places.items():
                box.settle(uids, place)
        seen.update(mail.uid for mail in arrived)
    return len(seen)


def read_mailbox(
    desk_now: Callable[[], Desk], *, wait_s: float = 0.0, may_go_on: Callable[[], bool] = lambda: True
) -> int:
    """Open the mailbox, take what is there, else wait for a mail and take that; return how many were taken.

    desk_now   makes the desk of this moment

    A mailbox that cannot be read is noted and logged, no more. Raises StoreError where the database refuses.
    """
    desk = desk_now()
    assert desk.config.inbox is not None, "who reads answers has an inbox"
    n_taken, ends_s = 0, time.monotonic() + wait_s
    try:
        with opened(desk.config.inbox) as box:
            n_taken = read_once(desk, box)
            note_reading(desk.store, desk.now_utc, "")
            while n_taken == 0 and may_go_on() and (left_s := ends_s - time.monotonic()) > 0.0:
                box.wait(min(left_s, WAITED_AT_ONCE_S))
                n_taken = read_once(desk_now(), box)
    except InboxError as error:
        log.warning("%s", error)
        note_reading(desk.store, desk.now_utc, str(error))
    return n_taken


def note_reading(store: sa.Engine, now_utc: datetime, fault: str) -> None:
    """Note a reading of the mailbox, or why it could not be read."""
    with schema.begin(store) as connection:
        replies.note_poll(connection, polled_utc=now_utc, fault=fault)
