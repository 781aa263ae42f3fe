"""A site whose crew answers by mail: its config, answers of every kind, and what stands in the database afterwards."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email.message import EmailMessage
from email.policy import SMTP
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from reply_scene import site

from gonogo.config import Config
from gonogo.inbox import take
from gonogo.inbox.mailbox import MailPlace
from gonogo.inbox.take import Desk
from gonogo.mail import token
from gonogo.outgoing.message_id import reply_mark
from gonogo.records.field import Entry, Reading
from gonogo.records.outside import Inbox, Transport
from gonogo.store import history, schema

KEY = "a long random key of this test 0123456789"
NOW = datetime(2026, 5, 12, 15, 0, tzinfo=UTC)  # 10:00 on site
CREW_OF = {"ana": "north", "eva": "north", "rui": "north", "luc": "south"}


def config(store_url: str = "sqlite:///unused.db", **changes: Any) -> Config:
    """A config with an inbox; the site has a test of each strip from the day before."""
    own = site()
    readings = tuple(
        Reading(strip_id=strip.id, at_utc=NOW - timedelta(days=1), w_pct=14.0, method="nuclear gauge")
        for strip in own.strips
    )
    inbox = Inbox(kind="maildir", address="gonogo@example.com", key=KEY, trusted_server="mx.example.com")
    fields: dict[str, Any] = {
        "folder": Path("unused"),
        "sites": (own,),
        "settings": {own.id: {}},
        "setting_origin": {own.id: {}},
        "readings": {own.id: readings},
        "services": (),
        "store_url": store_url,
        "transport": Transport(kind="folder", sender="gonogo@example.com", folder=Path("unused")),
        "operator_address": "operator@example.com",
        "use": "non-commercial",
        "inbox": inbox,
    }
    return Config(**(fields | changes))


def mark_of(person: str, day: str = "2026-05-12") -> str:
    """The mark of the mails that a person got on a day."""
    address = f"{person}@example.com"
    return reply_mark(KEY, "test-site", CREW_OF[person], address, datetime.fromisoformat(day).date())


def answer(
    lines: Sequence[str],
    person: str = "ana",
    *,
    mark: str | None = "",
    html: bool = False,
    vouched: bool = True,
    sent_utc: datetime = NOW,
    **headers: str,
) -> bytes:
    """An answer as a mail program sends it and our own server hands it on.

    mark   "" for that of the day's mail, None for none, else as given
    """
    mail = EmailMessage(policy=SMTP)
    if vouched:
        mail["Authentication-Results"] = "mx.example.com; dmarc=pass header.from=example.com"
    own = mark_of(person) if mark == "" else mark
    names = {name.replace("_", "-"): value for name, value in headers.items()}
    mail["From"] = names.pop("From", f"{person.title()} <{person}@example.com>")
    mail["To"] = "gonogo@example.com"
    subject = f"Re: Compact 2 {token.shown(own)}" if own else "Re: Compact 2"
    mail["Subject"] = names.pop("Subject", subject)
    mail["Date"] = sent_utc
    mail["Message-ID"] = names.pop("Message-ID", f"<{abs(hash((tuple(lines), person, sent_utc)))}@phone.example>")
    for name, value in names.items():
        mail[name] = value
    text = "\r\n".join(lines)
    if html:
        mail.set_content("<html><body>" + "".join(f"<div>{line}</div>" for line in lines) + "</body></html>", "html")
    else:
        mail.set_content(text + "\r\n")
    return mail.as_bytes()


@dataclass
class Desk_:
    """A desk for tests: takes mails at a moment, and shows what stands in the database."""

    store: sa.Engine
    config: Config = field(default_factory=config)
    now_utc: datetime = NOW
    dns_text: Any = None

    def take(self, raw: bytes) -> MailPlace:
        return take.take(Desk(config=self.config, store=self.store, now_utc=self.now_utc, dns_text=self.dns_text), raw)

    def entries(self) -> tuple[Entry, ...]:
        with schema.read(self.store) as connection:
            return history.entries(connection, "test-site")

    def numbers(self) -> list[int]:
        with schema.read(self.store) as connection:
            return [line.id for line in history.entry_log(connection, "test-site")]

    def mails(self) -> list[tuple[str, str, str]]:
        """(address, subject, text) of every mail in the outbox, oldest first."""
        from email.parser import BytesParser

        query = (
            sa.select(schema.message.c.address, schema.message.c.subject, schema.message_raw.c.raw)
            .join(schema.message_raw)
            .order_by(schema.message.c.id)
        )
        with schema.read(self.store) as connection:
            rows = connection.execute(query).all()
        found = []
        for row in rows:
            body = BytesParser(policy=SMTP).parsebytes(bytes(row.raw)).get_body(preferencelist=("plain",))
            assert body is not None
            found.append((row.address, row.subject, str(body.get_content()).replace("\r\n", "\n")))
        return found

    def last_raw(self) -> bytes:
        with schema.read(self.store) as connection:
            query = sa.select(schema.message_raw.c.raw).order_by(schema.message_raw.c.message.desc()).limit(1)
            return bytes(connection.scalar(query))
