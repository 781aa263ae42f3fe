"""The last door: an envelope is checked before the transport takes it.

The checks stand here, at the last door, so that no name, note or subject can add a header, a recipient or a second
message, whatever went wrong before.
"""

from __future__ import annotations

import re
from email.errors import MessageError
from email.message import EmailMessage
from email.parser import BytesHeaderParser, BytesParser
from email.policy import SMTP

from gonogo.errors import DeliveryError
from gonogo.store.queued import Envelope

MAX_BYTES = 10 * 1024 * 1024

# Each may stand once at the most; anything else in a head is a sign of an injected line.
KNOWN_HEADERS = frozenset(
    """from to subject date message-id reply-to auto-submitted x-auto-response-suppress mime-version content-type
    content-transfer-encoding content-language content-disposition in-reply-to references list-id list-unsubscribe
    list-unsubscribe-post precedence importance x-priority organization""".split()
)
NEEDED_HEADERS = ("from", "to", "subject", "date", "message-id")

# An address as it may stand in an SMTP command: no space, no control character, no bracket, one @ with a domain.
_ADDRESS = re.compile(r"[^\s\x00-\x1f\x7f<>(),;:\\\"\[\]@]{1,64}@[^\s\x00-\x1f\x7f<>(),;:\\\"\[\]@]{1,253}")
# What the standard library's parser of header values lets through on lines that nobody meant to write.
_PARSER_FAULTS = (IndexError, AttributeError, ValueError, MessageError)
_LINE_END = re.compile(rb"\r\n|\r|\n")


class LeaseLostError(DeliveryError):
    """Another worker took the mail over meanwhile. Nothing was sent, and nothing is noted: it is the other's now."""

    def __init__(self, text: str) -> None:
        super().__init__(text, passing=True)


def always_ours() -> bool:
    """For a caller that shares its mails with nobody."""
    return True


def checked_raw(envelope: Envelope) -> bytes:
    """Return the bytes to send, with CRLF line ends throughout.

    Raises DeliveryError (not passing) where the address or the head is not what we would have written.
    """
    checked_address(envelope.address)
    if len(envelope.raw) > MAX_BYTES:
        raise _refusal(envelope, f"the mail has {len(envelope.raw)} bytes, more than {MAX_BYTES}")
    # A bare CR or LF could be read as a line end by one server and not by the next: none leaves here.
    raw = _LINE_END.sub(b"\r\n", envelope.raw)
    head = raw.partition(b"\r\n\r\n")[0]
    if b"\x00" in head or not head.isascii():
        raise _refusal(envelope, "its head holds bytes that are not plain ASCII")
    parsed = BytesHeaderParser(policy=SMTP).parsebytes(head + b"\r\n\r\n")
    names = [name.lower() for name in parsed.keys()]
    odd = sorted({name for name in names if name not in KNOWN_HEADERS})
    doubled = sorted({name for name in names if names.count(name) > 1})
    missing = [name for name in NEEDED_HEADERS if name not in names]
    if parsed.defects or odd or doubled or missing:
        found = [f"unknown {odd}"] * bool(odd) + [f"twice {doubled}"] * bool(doubled)
        found += [f"missing {missing}"] * bool(missing) + ["a broken line"] * bool(parsed.defects)
        raise _refusal(envelope, f"its head is not one of ours: {', '.join(found)}")
    _check_recipient(envelope, parsed)
    if str(parsed["message-id"]).strip() != envelope.message_id:
        raise _refusal(envelope, "its Message-ID is not the one that it is stored under")
    return raw


def checked_address(address: str) -> str:
    """Return an address that is safe in an SMTP command. Raises DeliveryError (not passing) otherwise."""
    if not _ADDRESS.fullmatch(address):
        raise DeliveryError(
            f"{address!r} is not an address that a mail can be sent to. "
            "Write it like ana@example.com, without name or brackets. It was not sent.",
            passing=False,
        )
    return address


def plain_text(envelope: Envelope) -> str:
    """Return the plain text of a mail as its reader sees it."""
    body = BytesParser(policy=SMTP).parsebytes(envelope.raw).get_body(preferencelist=("plain",))
    return "" if body is None else str(body.get_content())


def _check_recipient(envelope: Envelope, parsed: EmailMessage) -> None:
    """Refuse a head whose To differs from the address that the envelope goes to."""
    try:
        named = [address.addr_spec for address in parsed["to"].addresses]
    except _PARSER_FAULTS as error:
        raise _refusal(envelope, "its To line cannot be read") from error
    if len(named) != 1 or named[0].lower() != envelope.address.lower():
        raise _refusal(envelope, "its To line names another address than the one it goes to")


def _refusal(envelope: Envelope, why: str) -> DeliveryError:
    """The one shape of a refusal."""
    return DeliveryError(f"Message {envelope.message_id}: {why}. It was not sent.", passing=False)
