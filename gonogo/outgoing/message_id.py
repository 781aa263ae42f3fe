"""Message-IDs: the same for the same site, date, issue and person."""

from __future__ import annotations

import hashlib
import re
from datetime import UTC, date, datetime
from email.utils import parseaddr

from gonogo import times
from gonogo.records.site import Crew, Recipient, Site
from gonogo.store.outbox import Queued

_DAY = re.compile(r"<[^.]+\.(\d{8})\.")


def message_id(sender: str, issue: str, day: date, site_id: str, who: str) -> str:
    """Return the Message-ID of a mail: the same for the same issue, date, site and reader."""
    host = parseaddr(sender)[1].rpartition("@")[2]
    mark = hashlib.sha256(who.encode()).hexdigest()[:20]
    return f"<{issue}.{day:%Y%m%d}.{site_id}.{mark}@{host}>"


def day_of(one: Queued, site: Site | None) -> date:
    """Return the local date that a mail is about: its Message-ID holds it."""
    found = _DAY.match(one.message_id)
    if found:
        return datetime.strptime(found[1], "%Y%m%d").replace(tzinfo=UTC).date()
    return times.local_date(one.put_utc, site.zone) if site else one.put_utc.date()


def mail_id(site: Site, day: date, issue: str, crew: Crew, recipient: Recipient, sender: str) -> str:
    """Return the Message-ID of a person's mail: the same for the same site, date, issue, crew and person."""
    who = hashlib.sha256(f"{crew.id}|{recipient.role}|{recipient.address}".encode()).hexdigest()[:20]
    host = parseaddr(sender)[1].rpartition("@")[2]
    return f"<{issue}.{day:%Y%m%d}.{site.id}.{who}@{host}>"
