"""The message on the wire: headers, two parts, nothing that a name could smuggle in. Needs no template."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from dataclasses import dataclass
from datetime import UTC, date, datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime

from gonogo.errors import Complaint, ConfigError
from gonogo.records import Recipient

_ADDRESS = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]+@[A-Za-z0-9](?:[A-Za-z0-9.-]*[A-Za-z0-9])?")
_MESSAGE_ID = re.compile(r"<[^<>\s@]+@[^<>\s@]+>")


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderedMail:
    """One mail, ready to be sent. raw: the whole message as it goes to the server; html is "" in a plain notice."""

    subject: str
    text: str
    html: str
    raw: bytes


def raw_message(
    *,
    subject: str,
    text: str,
    html: str,
    recipient: Recipient,
    sender: str,
    sender_name: str,
    reply_to: str,
    message_id: str,
    date_utc: datetime,
    language: str,
) -> bytes:
    """Return the message as bytes with CRLF line ends, safe for servers that take only 7 bits.

    Raises ConfigError for an address or a name that no header may carry.
    """
    mail = EmailMessage(policy=SMTP)
    mail["From"] = _mailbox("sender", sender_name, sender)
    mail["To"] = _mailbox("recipient", recipient.name, recipient.address)
    if reply_to:
        mail["Reply-To"] = _mailbox("reply_to", "", reply_to)
    mail["Subject"] = " ".join(subject.split())
    mail["Date"] = format_datetime(date_utc.astimezone(UTC))
    if not _MESSAGE_ID.fullmatch(message_id) or not message_id.isascii():
        raise _refusal("message_id", message_id, "this is no message identifier.", "Write <left@right>.")
    mail["Message-ID"] = message_id
    mail["Auto-Submitted"] = "auto-generated"
    mail.set_content(text, cte="quoted-printable")
    if html:
        mail.add_alternative(html, subtype="html", cte="quoted-printable")
        # The same run gives the same bytes. Quoted-printable never holds "=_", so no body can hold the boundary.
        mail.set_boundary("=_" + hashlib.sha256(message_id.encode()).hexdigest()[:32])
    mail["Content-Language"] = language  # last: making parts would move it into the first of them
    return mail.as_bytes()


def plain_notice(
    recipient: Recipient,
    *,
    site: str,
    day: date,
    reason: str,
    sender: str,
    reply_to: str,
    message_id: str,
    date_utc: datetime,
) -> RenderedMail:
    """Return the mail of the worst day: no template, no catalogue, no view. It says that every strip waits.

    site, reason, recipient.name   cleaned rather than refused; only a bad address raises ConfigError
    """
    site, reason, name = _clean(site), _clean(reason), _clean(recipient.name)
    subject = f"No verdict, test on site - {day.isoformat()} - {site}"
    text = (
        f"No verdict for {site} on {day.isoformat()}: every strip waits.\n"
        "Decide on site with a moisture test.\n\n"
        f"Why there is no verdict:\n{_folded(reason) or 'not known'}\n\n"
        "Do not compact or water on the strength of an earlier mail.\n"
        "The moisture and density tests, the contract specification, local codes\n"
        "and the responsible engineer decide. Stop for lightning, and keep clear of\n"
        "slope edges, services and people on foot. Do not water where it can\n"
        "freeze, pond or run off site.\n"
    )
    raw = raw_message(
        subject=subject,
        text=text,
        html="",
        recipient=Recipient(name=name, address=recipient.address, role=recipient.role),
        sender=sender,
        sender_name="gonogo",
        reply_to=reply_to,
        message_id=message_id,
        date_utc=date_utc,
        language="en",
    )
    return RenderedMail(subject=subject, text=text, html="", raw=raw)


def _mailbox(key: str, name: str, address: str) -> Address:
    """Return name and address for a header. Raises ConfigError for what would break it."""
    if not _ADDRESS.fullmatch(address) or ".." in address:
        raise _refusal(
            f"{key}.address",
            address,
            "this is no plain mail address.",
            "Write name@example.com; for an international domain write its xn-- form.",
        )
    if any(unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") for c in name):
        raise _refusal(
            f"{key}.name", name, "a name is one line without control characters.", 'Write for example "José Núñez".'
        )
    local, _, domain = address.rpartition("@")
    return Address(display_name=name, username=local, domain=domain)


def _refusal(key: str, value: str, wrong: str, right: str) -> ConfigError:
    return ConfigError([Complaint(place="mail", key=key, value=repr(value), wrong=wrong, right=right)])


def _clean(text: str) -> str:
    """Return text on one line, without anything that a header or a terminal would obey."""
    return " ".join("".join(c if unicodedata.category(c)[0] != "C" else " " for c in text).split())


def _folded(text: str, columns: int = 72) -> str:
    """Return text in lines; a word longer than a line is cut."""
    lines: list[str] = []
    for word in text.split():
        for piece in (word[i : i + columns] for i in range(0, len(word), columns)):
            if lines and len(lines[-1]) + 1 + len(piece) <= columns:
                lines[-1] += f" {piece}"
            else:
                lines.append(piece)
    return "\n".join(lines)
