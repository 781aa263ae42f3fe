"""Message-IDs: the same for the same site, date, edition and person."""

from __future__ import annotations

import hashlib
import re
from datetime import UTC, date, datetime
from email.utils import parseaddr

from gonogo import times
from gonogo.mail import token
from gonogo.outgoing.frame import RunFrame
from gonogo.records.site import Crew, Recipient, Site
from gonogo.store.queued import Queued

_DAY = re.compile(r"<[^.]+\.(\d{8})\.")


def message_id(sender: str, edition: str, day: date, site_id: str, who: str) -> str:
    """Return the Message-ID of a mail: the same for the same edition, date, site and reader."""
    host = parseaddr(sender)[1].rpartition("@")[2]
    mark = hashlib.sha256(who.encode()).hexdigest()[:20]
    return f"<{edition}.{day:%Y%m%d}.{site_id}.{mark}@{host}>"


def day_in(message_id: str) -> date | None:
    """Return the local date that a Message-ID of ours holds, None where it holds none."""
    found = _DAY.match(message_id)
    return None if found is None else datetime.strptime(found[1], "%Y%m%d").replace(tzinfo=UTC).date()


def day_of(queued: Queued, site: Site | None) -> date:
    """Return the local date that a mail is about: its Message-ID holds it."""
    found = day_in(queued.message_id)
    if found is not None:
        return found
    return times.local_date(queued.put_utc, site.zone) if site else queued.put_utc.date()


def mail_id(frame: RunFrame, crew: Crew, person: Recipient) -> str:
    """Return the Message-ID of a person's mail: the same for the same site, date, edition, crew and person."""
    who = hashlib.sha256(f"{crew.id}|{person.role}|{person.address}".encode()).hexdigest()[:20]
    host = parseaddr(frame.sender)[1].rpartition("@")[2]
    edition = f"{frame.edition}-{frame.n_void + 1}" if frame.n_void else frame.edition
    plain = f"<{edition}.{frame.day:%Y%m%d}.{frame.site.id}.{who}@{host}>"
    inbox = frame.config.inbox
    if inbox is None:
        return plain
    return token.with_mark(plain, reply_mark(inbox.key, frame.site.id, crew.id, person.address, frame.day))


def reply_mark(key: str, site_id: str, crew_id: str, address: str, day: date) -> str:
    """Return the mark of the mails that a person of a crew gets on a day: by it an answer is known."""
    return token.mark(key, "mail", site_id, crew_id, address, day.isoformat())
