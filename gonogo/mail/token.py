"""What a mail carries so that an answer to it is known: a keyed mark of site, crew, person and day.

It stands in the Message-ID and in the subject. A mail program takes the one along in its References, a prefilled link
the other. The mark says nothing by itself: whoever holds the key makes it again and compares.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import re
from collections.abc import Iterable

MARK_LETTERS = 16  # of 5 bits: 80 bits, out of reach of guessing by mail
MARKER_SIGN = "= = = gonogo"  # what is below a line that holds this is never read

_IN_SUBJECT = re.compile(r"\[([a-z2-7]{4}(?:-[a-z2-7]{4}){3})\]")
_IN_MESSAGE_ID = re.compile(r"\.k([a-z2-7]{16})@")


def mark(key: str, *about: str) -> str:
    """Return the mark of what a mail is about, under a key: 16 letters and digits."""
    text = json.dumps([part.casefold() for part in about])
    digest = hmac.new(key.encode(), text.encode(), hashlib.sha256).digest()
    return base64.b32encode(digest).decode().lower()[:MARK_LETTERS]


def with_mark(message_id: str, made: str) -> str:
    """Return a Message-ID that carries a mark."""
    left, _, host = message_id.rpartition("@")
    return f"{left}.k{made}@{host}"


def shown(made: str) -> str:
    """Return a mark as a subject carries it."""
    return f"[{'-'.join(made[at : at + 4] for at in range(0, MARK_LETTERS, 4))}]"


def of_message_id(message_id: str) -> str:
    """Return the mark of a Message-ID, "" where it carries none."""
    found = _IN_MESSAGE_ID.search(message_id)
    return found[1] if found else ""


def subject_with(subject: str, message_id: str) -> str:
    """Return a subject with the mark of its Message-ID behind it, where that carries one."""
    made = of_message_id(message_id)
    return f"{subject} {shown(made)}" if made else subject


def found_in(subject: str, message_ids: str) -> frozenset[str]:
    """Return every mark that an answer's subject and its In-Reply-To and References hold."""
    of_subject = (found.replace("-", "") for found in _IN_SUBJECT.findall(subject.casefold()))
    return frozenset((*of_subject, *_IN_MESSAGE_ID.findall(message_ids)))


def holds(marks: Iterable[str], made: str) -> bool:
    """Return whether a mark is among those of an answer, compared in constant time."""
    return any(hmac.compare_digest(made, found) for found in tuple(marks))
