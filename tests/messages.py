"""Small mails for tests; each test changes what it is about."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from typing import Any

from gonogo.store.queued import Envelope

MORNING = datetime(2026, 6, 1, 10, 30, tzinfo=UTC)


def raw_mail(message_id: str, address: str, *, name: str = "Ana Boss", body: str = "N1: wait\n", **head: str) -> bytes:
    """Return a mail with a text and an HTML body."""
    mail = EmailMessage(policy=SMTP)
    mail["From"] = "gonogo <gonogo@example.com>"
    mail["To"] = f'"{name}" <{address}>'
    mail["Subject"] = "N1 wait"
    mail["Date"] = format_datetime(MORNING)
    mail["Message-ID"] = message_id
    mail["Auto-Submitted"] = "auto-generated"
    for key, value in head.items():
        del mail[key.replace("_", "-")]
        mail[key.replace("_", "-")] = value
    mail.set_content(body)
    mail.add_alternative(f"<!doctype html><p>{body}</p>", subtype="html")
    mail.set_boundary("part")
    return mail.as_bytes()


def envelope(n: int = 1, **changes: Any) -> Envelope:
    """Return a mail to the n-th reader, due at MORNING and useless five hours later."""
    message_id, address = f"<morning.{n}@gonogo.example.com>", f"reader{n}@example.com"
    fields: dict[str, Any] = {
        "message_id": message_id,
        "site_id": "north-fill",
        "crew_id": "crew-a",
        "kind": "morning",
        "role": "superintendent",
        "name": "Ana Boss",
        "address": address,
        "subject": "N1 wait",
        "raw": raw_mail(message_id, address),
        "deadline_utc": MORNING + timedelta(hours=5),
    }
    return Envelope(**(fields | changes))
