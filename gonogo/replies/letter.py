"""A mail that came in, read as data: who writes, what kind of mail it is, and its text. Nothing of it is carried out.

No attachment is opened, no address in it is followed, and of an HTML part only the words are kept.
"""

from __future__ import annotations

import hashlib
import re
import warnings
from dataclasses import dataclass
from datetime import UTC, datetime
from email.message import EmailMessage
from email.parser import BytesParser
from email.policy import SMTP
from email.utils import getaddresses, parsedate_to_datetime

from bs4 import BeautifulSoup, MarkupResemblesLocatorWarning
from bs4.element import NavigableString
from flufl.bounce import all_failures

from gonogo.mail import token
from gonogo.replies.quoting import own_lines

LARGEST_BYTES = 64 * 1024
LONGEST_TEXT = 20_000
# A mail's parser of the standard library raises these over heads that nobody meant to write.
_PARSER_FAULTS = (LookupError, ValueError, TypeError, AttributeError, AssertionError, RecursionError)
_QUOTED_PARTS = ("blockquote", "script", "style", "head", "title")
_BLOCKS = ("address", "article", "div", "dd", "dl", "dt", "h1", "h2", "h3", "h4", "li", "p", "pre", "table", "tr", "ul")


@dataclass(frozen=True, slots=True, kw_only=True)
class Letter:
    """A mail that came in.

    key        its own name: the hash of what a second delivery of it has in common with the first
    sender     the one address of its From line, "" where there is none or more than one
    nature     "reply", or why it is left alone: "automatic", "list", "bounce", "own", "too_large", "unreadable"
    failed     of a bounce: the addresses that a mail did not reach
    marks      the marks of our mails that it carries
    lines      what its writer wrote
    sent_utc   its Date, None where it has none that can be read
    """

    key: str
    sender: str
    nature: str
    failed: tuple[str, ...] = ()
    marks: frozenset[str] = frozenset()
    lines: tuple[str, ...] = ()
    subject: str = ""
    message_id: str = ""
    sent_utc: datetime | None = None


def read(raw: bytes, *, own_addresses: frozenset[str]) -> Letter:
    """Return a mail as data. own_addresses: those that our mails come from, in lower case."""
    if len(raw) > LARGEST_BYTES:
        head = raw.partition(b"\r\n\r\n")[0] if b"\r\n\r\n" in raw else raw.partition(b"\n\n")[0]
        return Letter(key=_hash(head[:LARGEST_BYTES]), sender="", nature="too_large")
    try:
        mail = BytesParser(policy=SMTP).parsebytes(raw)
        return _read(mail, own_addresses)
    except _PARSER_FAULTS:
        return Letter(key=_hash(raw), sender="", nature="unreadable")


def _read(mail: EmailMessage, own_addresses: frozenset[str]) -> Letter:
    sender, text = sender_of(mail), _text(mail)
    subject, message_id = _header(mail, "subject"), _header(mail, "message-id").strip()
    shown_from = _header(mail, "from")
    key = _hash("\0".join((sender, message_id, _header(mail, "date"), subject, text)).encode("utf-8", "replace"))
    nature, failed = _nature(mail, sender, own_addresses)
    return Letter(
        key=key,
        sender=sender,
        nature=nature,
        failed=failed,
        marks=token.found_in(subject, f"{_header(mail, 'in-reply-to')} {_header(mail, 'references')}"),
        lines=own_lines(text, name=shown_from.rpartition("<")[0].strip(' "')) if nature == "reply" else (),
        subject=subject,
        message_id=message_id,
        sent_utc=_date(mail),
    )


def sender_of(mail: EmailMessage) -> str:
    """Return the one address that a mail names as its writer, in lower case; "" where it names none or several."""
    lines = mail.get_all("from", [])
    found = [address for _, address in getaddresses([str(line) for line in lines]) if address]
    plain = found[0].strip().lower() if len(lines) == 1 and len(found) == 1 else ""
    return plain if re.fullmatch(r"[!-~]+@[!-~]+", plain) and plain.count("@") == 1 else ""


def _nature(mail: EmailMessage, sender: str, own_addresses: frozenset[str]) -> tuple[str, tuple[str, ...]]:
    """Return what kind of mail it is, by its head alone, and whom a bounce is about."""
    kind = mail.get_content_type()
    if kind == "multipart/report" or _header(mail, "return-path").strip() == "<>" or "x-failed-recipients" in mail:
        failed = sorted(a.decode("ascii", "replace").lower() for a in all_failures(mail)[1])
        if failed:
            return "bounce", tuple(failed)
        return "automatic", ()
    if sender in own_addresses or token.of_message_id(_header(mail, "message-id")):
        return "own", ()
    submitted = _header(mail, "auto-submitted").strip().lower()
    answers = ("x-autoreply", "x-autorespond", "x-auto-response-suppress", "x-loop", "feedback-id")
    if (submitted and submitted.partition(";")[0].strip() != "no") or any(name in mail for name in answers[:2]):
        return "automatic", ()
    if "x-loop" in mail or _header(mail, "precedence").strip().lower() in ("bulk", "junk", "auto_reply"):
        return "automatic", ()
    if sender.startswith(("mailer-daemon@", "postmaster@", "no-reply@", "noreply@", "do-not-reply@")):
        return "automatic", ()
    if any(name in mail for name in ("list-id", "list-unsubscribe", "list-post")) or (
        _header(mail, "precedence").strip().lower() == "list"
    ):
        return "list", ()
    return ("reply" if sender else "unreadable"), ()


def _header(mail: EmailMessage, name: str) -> str:
    return str(mail.get(name, ""))


def _date(mail: EmailMessage) -> datetime | None:
    try:
        at = parsedate_to_datetime(_header(mail, "date"))
    except (TypeError, ValueError, IndexError, OverflowError):
        return None
    return at.astimezone(UTC) if at.tzinfo is not None else None


def _text(mail: EmailMessage) -> str:
    """Return the words of a mail: its plain part, else its HTML part without tags. Attachments are not looked at."""
    for kind in ("plain", "html"):
        part = mail.get_body(preferencelist=(kind,))
        if part is None:
            continue
        try:
            content = str(part.get_content())[:LARGEST_BYTES]
        except _PARSER_FAULTS:
            continue
        text = content if kind == "plain" else html_text(content)
        if text.strip():
            return text[:LONGEST_TEXT]
    return ""


def html_text(page: str) -> str:
    """Return the words of an HTML page by lines, without what it quotes."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", MarkupResemblesLocatorWarning)
        soup = BeautifulSoup(page, "html.parser")
    for part in soup(_QUOTED_PARTS):
        part.decompose()
    for line in soup.find_all(string=True):
        if type(line) is NavigableString:
            line.replace_with(re.sub(r"[\r\n\t ]+", " ", line))
        else:  # a comment, a declaration: nobody sees it
            line.extract()
    for end in soup.find_all("br"):
        end.replace_with("\n")
    for rule in soup.find_all("hr"):
        rule.replace_with("\n" + "_" * 30 + "\n")
    for block in soup.find_all(_BLOCKS):
        block.insert_before("\n")
        block.insert_after("\n")
    return soup.get_text()


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()[:40]
