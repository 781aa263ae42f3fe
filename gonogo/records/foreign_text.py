"""Text that somebody else wrote, made fit for a screen, a mail, a log or the database: the one door it goes through.

What a terminal or a mail would act on (control characters, marks that turn the direction of writing) becomes an escape
that can be read, and a secret becomes "(not shown)", in clear and in the forms in which a server may echo it.
"""

from __future__ import annotations

import base64
import unicodedata
from collections.abc import Iterable

HIDDEN = "(not shown)"
SHORTEST_SECRET = 4  # shorter ones would blank out half of every line
SHORTEST_IN_BASE64 = 6  # a shorter piece stands in any base64 by chance
LONGEST_LINE = 300
_PLAIN_IN_ADDRESS = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-._~")
_ACTED_ON = frozenset(("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"))


def readable(text: str, *, keep: str = "") -> str:
    """Return a text with escapes in place of what a terminal, a mail or a log would act on.

    keep   characters that stay as they are, such as the line feed of a text of ours
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(
        c if c in keep or unicodedata.category(c) not in _ACTED_ON else c.encode("unicode_escape").decode()
        for c in text
    )


def one_line(text: str | bytes, *, most: int = LONGEST_LINE) -> str:
    """Return what somebody else said on one line, without end spaces, and not without end."""
    plain = text.decode("utf-8", "replace") if isinstance(text, bytes) else text
    return readable(" ".join(plain[: 8 * most].split()))[:most]


def forms_of(secret: str) -> tuple[str, ...]:
    """Return a secret in the forms in which it may come back: in clear, escaped for an address, in base64.

    In base64 a secret looks otherwise at each of the three places of a byte; the part that is the same whatever stands
    around it is taken.
    """
    raw = secret.encode()
    in_base64 = []
    for before in range(3):
        coded = base64.b64encode(b"\0" * before + raw + b"\0" * (-(before + len(raw)) % 3)).decode()
        first, last = -(-8 * before // 6), (8 * (before + len(raw))) // 6
        if last - first >= SHORTEST_IN_BASE64:
            in_base64.append(coded[first:last])
    in_address = "".join(chr(b) if chr(b) in _PLAIN_IN_ADDRESS else f"%{b:02X}" for b in raw)
    forms = {
        secret,
        in_address,
        in_address.lower(),
        in_address.replace("%20", "+"),
        secret.encode("unicode_escape").decode(),
        *in_base64,
    }
    forms |= {form.replace("+", "-").replace("/", "_") for form in in_base64}
    return tuple(sorted((form for form in forms if len(form) >= SHORTEST_SECRET), key=len, reverse=True))


def without_secrets(text: str, secrets: Iterable[str]) -> str:
    """Return a text without secrets, whatever form they stand in."""
    for secret in secrets:
        if len(secret) >= SHORTEST_SECRET:
            for form in forms_of(secret):
                text = text.replace(form, HIDDEN)
    return text


def body_without_secrets(body: bytes, secrets: Iterable[str]) -> bytes:
    """Return a body that is to be kept without secrets."""
    for secret in secrets:
        if len(secret) >= SHORTEST_SECRET:
            for form in forms_of(secret):
                body = body.replace(form.encode(), HIDDEN.encode())
    return body
