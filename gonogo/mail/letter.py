"""The message on the wire: headers, parts, pictures, calendar; nothing that a name could smuggle in. No template."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from email.contentmanager import raw_data_manager
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP, compat32
from email.utils import format_datetime
from typing import Any

from gonogo.errors import ConfigError, Fault
from gonogo.mail import token
from gonogo.records.site import Recipient
from gonogo.wording.language import load

_ADDRESS = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]+@[A-Za-z0-9](?:[A-Za-z0-9.-]*[A-Za-z0-9])?")
_MESSAGE_ID = re.compile(r"<[^<>\s@]+@[^<>\s@]+>")


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderedMail:
    """One mail, ready to be sent. raw: the whole message as it goes to the server; html is "" in a plain notice."""

    subject: str
    text: str
    html: str
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A picture inside a mail. content_id: without brackets, as the page names it after "cid:"."""

    content_id: str
    png: bytes = field(repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class CalendarFile:
    """Entries for the reader's calendar. method: "PUBLISH" or "CANCEL", the same as in the content (RFC 5545)."""

    method: str
    name: str
    content: bytes = field(repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Post:
    """From whom to whom a mail goes, and as which.

    sender, reply_to   plain addresses; reply_to may be ""
    message_id         "<left@right>", the same for the same site, date, edition and recipient
    """

    recipient: Recipient
    sender: str
    reply_to: str
    message_id: str
    date_utc: datetime
    sender_name: str = "gonogo"


@dataclass(frozen=True, slots=True, kw_only=True)
class Content:
    """What a mail holds.

    html        "" for a mail in plain text
    pictures    that the HTML part shows; they travel with it, nothing is fetched
    calendars   attached, so that a calendar program takes them up
    """

    subject: str
    text: str
    html: str = ""
    language: str = "en"
    pictures: Sequence[Picture] = ()
    calendars: Sequence[CalendarFile] = ()


def raw_message(post: Post, content: Content) -> bytes:
    """Return the message as bytes with CRLF line ends, safe for servers that take only 7 bits.

    Raises ConfigError for an address or a name that no header may carry.
    """
    subject, message_id = content.subject, post.message_id
    mail = EmailMessage(policy=SMTP)
    mail["From"] = _mailbox("sender", post.sender_name, post.sender)
    mail["To"] = _mailbox("recipient", post.recipient.name, post.recipient.address)
    if post.reply_to:
        mail["Reply-To"] = _mailbox("reply_to", "", post.reply_to)
    mail["Subject"] = _literal(" ".join(token.subject_with(subject, message_id).split()))
    mail["Date"] = format_datetime(post.date_utc.astimezone(UTC))
    if not _MESSAGE_ID.fullmatch(message_id) or not message_id.isascii():
        raise _refusal("message_id", message_id, "this is no message identifier.", "Write <left@right>.")
    mail["Message-ID"] = message_id
    mail["Auto-Submitted"], mail["MIME-Version"] = "auto-generated", "1.0"
    body = _body(content)
    # The same run gives the same bytes. No quoted-printable or base64 holds "=_": no body holds a boundary.
    for place, part in enumerate(p for p in body.walk() if p.is_multipart()):
        mark = hashlib.sha256(f"{message_id} {place}".encode()).hexdigest()
        part.replace_header("Content-Type", f'{part["Content-Type"]}; boundary="=_{mark[:32]}"')
    body["Content-Language"] = content.language
    return mail.as_bytes().removesuffix(b"\r\n") + body.as_bytes()


# Parts have headers of our own making, written as they are: to read each as if a stranger had written it costs a
# mail most of its time.
_PLAIN = compat32.clone(linesep="\r\n", max_line_length=76)


def _body(content: Content) -> EmailMessage:
    """Return text, page with its pictures, and attachments as parts within parts, still without boundaries."""
    text = _leaf(content.text, cte="quoted-printable")
    whole = text
    if content.html:
        page = _leaf(content.html, subtype="html", cte="quoted-printable")
        if content.pictures:
            pictures = [
                _leaf(p.png, "image", "png", cid=f"<{p.content_id}>", disposition="inline") for p in content.pictures
            ]
            page = _parts("related", page, *(_as_whole(picture) for picture in pictures), is_whole=True)
        else:
            _as_whole(page)
        whole = _parts("alternative", text, page)
    if not content.calendars:
        return whole
    attached = []
    for calendar in content.calendars:
        kind = {"method": calendar.method, "charset": "utf-8"}
        named = {"cte": "base64", "disposition": "attachment", "filename": calendar.name, "params": kind}
        attached.append(_as_whole(_leaf(calendar.content, "text", "calendar", **named)))
    return _parts("mixed", whole, *attached)


def _leaf(content: str | bytes, *kind: str, **named: Any) -> EmailMessage:
    part = EmailMessage(policy=_PLAIN)
    raw_data_manager.set_content(part, content, *kind, **named)
    return part


def _as_whole(part: EmailMessage) -> EmailMessage:
    part["MIME-Version"] = "1.0"
    return part


def _parts(kind: str, *parts: EmailMessage, is_whole: bool = False) -> EmailMessage:
    joined = EmailMessage(policy=_PLAIN)
    if is_whole:
        _as_whole(joined)
    joined["Content-Type"] = f"multipart/{kind}"
    joined.set_payload(list(parts))
    return joined


# What stands in for the catalogue when even that cannot be read. The same as in words/en.toml: a test compares them.
ENGLISH_NOTICE = {
    "notice.subject": "No verdict, test on site · {day} · {site}",
    "notice.first": "No verdict for {site} on {day}: every strip waits.",
    "notice.decide": "Decide on site with a moisture test.",
    "notice.why": "Why there is no verdict:",
    "notice.unknown": "Not known.",
    "notice.no_forecast": "There is no usable weather forecast.",
    "notice.computation": "The computation failed; the operator has been told.",
    "notice.overrun": "The computation took too long; the operator has been told.",
    "notice.config": "The settings of the service have a fault; the operator has been told.",
    "notice.unwritten": "The mail could not be written; the operator has been told.",
    "notice.late_mail": "This morning's mail could not be delivered in time.",
    "notice.late_look": (
        "Verdicts of this morning have changed, and the mail that says so could not be delivered in time."
    ),
    "notice.earlier": "Do not compact or water on the strength of an earlier mail.",
    "caution.deciders": ("Moisture and density tests, specification, local codes and responsible engineer decide."),
    "caution.stop": (
        "Stop for lightning, and keep clear of slope edges, buried and overhead utilities and people on foot."
    ),
    "caution.water": "Do not water where it can freeze, pond or run off site.",
}


def plain_notice(post: Post, *, site: str, day: date, reason: str) -> RenderedMail:
    """Return the mail of the worst day: no template, no view, in the reader's language as far as that can be read.

    site, reason, the recipient's name   cleaned rather than refused; only a bad address raises ConfigError
    reason   a sentence of ENGLISH_NOTICE is told in the reader's language, any other as it is
    """
    recipient = post.recipient
    site, reason, name = _clean(site), _clean(reason), _clean(recipient.name)
    said, language = _notice_words(recipient.language)
    key = next((k for k, english in ENGLISH_NOTICE.items() if reason == english), "")
    gaps = {"site": site, "day": day.isoformat()}
    subject = said["notice.subject"].format_map(gaps)
    paragraphs = (
        f"{said['notice.first'].format_map(gaps)} {said['notice.decide']}",
        f"{said['notice.why']}\n{_folded(said[key] if key else reason or said['notice.unknown'])}",
        " ".join(said[k] for k in ("notice.earlier", "caution.deciders", "caution.stop", "caution.water")),
    )
    text = "\n\n".join("\n".join(_folded(line) for line in p.split("\n")) for p in paragraphs) + "\n"
    clean = replace(post, recipient=replace(recipient, name=name), sender_name="gonogo")
    raw = raw_message(clean, Content(subject=subject, text=text, language=language))
    return RenderedMail(subject=subject, text=text, html="", raw=raw)


def _notice_words(language: str) -> tuple[Mapping[str, str], str]:
    """Return the sentences of a notice and their language: the reader's, or English where that cannot be read whole."""
    try:
        sentences = load(language).sentences
        said = {key: str(sentences[key]) for key in ENGLISH_NOTICE}
        for sentence in said.values():
            sentence.format_map({"site": "", "day": ""})
    except (ConfigError, KeyError, ValueError, OSError):
        return ENGLISH_NOTICE, "en"
    return said, language


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
    return Address(display_name=_literal(name), username=local, domain=domain)


def _literal(text: str) -> str:
    """Return text that no reader of headers takes for an encoded word: one could decode into a line break."""
    return text.replace("=?", "= ?")


def _refusal(key: str, value: str, wrong: str, right: str) -> ConfigError:
    return ConfigError([Fault(place="mail", key=key, value=repr(value), wrong=wrong, right=right)])


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
