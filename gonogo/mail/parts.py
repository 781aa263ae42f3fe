"""Parts of a message as bytes: texts in quoted-printable, files in base64, parts within parts (RFC 2045 and 2046).

The standard library reads and folds the headers of each part as if a stranger had written them, and writes line by
line: half of what a mail cost. A test compares what it makes with what stands here, byte for byte.
"""

from __future__ import annotations

import base64
import functools
import re
from dataclasses import dataclass
from email import quoprimime
from email.policy import compat32

_QUOTED = re.compile(r"[^\t\n -~]")  # what quoted-printable writes as "=" and two digits, beside "=" itself
_LINE_MAX = 76  # RFC 2045, 6.7 (5); the library takes what its policy allows a header
_TOO_LONG = re.compile(rf"[^\n]{{{_LINE_MAX + 1},}}")
_HEADERS = compat32.clone(linesep="\r\n")
_FOLDED_FROM = 78
_MIME = b"MIME-Version: 1.0\r\n"


@dataclass(frozen=True, slots=True)
class MailPart:
    """Headers and body of a part, each line with its CRLF."""

    headers: bytes
    body: bytes

    def with_header(self, name: str, value: str) -> MailPart:
        """Return the part with one header more, the last."""
        return MailPart(self.headers + header(name, value), self.body)

    def as_whole(self) -> MailPart:
        """Return the part with the header by which it could stand alone."""
        return MailPart(self.headers + _MIME, self.body)

    def __bytes__(self) -> bytes:
        return self.headers + b"\r\n" + self.body


def text_part(text: str, subtype: str) -> MailPart:
    """Return a text, "plain" or "html", as a part."""
    kind = f'Content-Type: text/{subtype}; charset="utf-8"\r\nContent-Transfer-Encoding: quoted-printable\r\n'
    return MailPart(kind.encode(), quoted_printable(text))


def png_part(png: bytes, content_id: str) -> MailPart:
    """Return a picture as a part that a page names. content_id: without brackets, as after "cid:"."""
    kind = b"Content-Type: image/png\r\nContent-Transfer-Encoding: base64\r\nContent-Disposition: inline\r\n"
    return MailPart(kind + header("Content-ID", f"<{content_id}>") + _MIME, _base64(png))


@functools.lru_cache(maxsize=64)  # the readers of a crew share their files
def calendar_part(content: bytes, method: str, name: str) -> MailPart:
    """Return a calendar as an attached part. method: the same as in the content (RFC 5545)."""
    disposition = header("Content-Disposition", f'attachment; filename="{name}"')
    kind = header("Content-Type", f'text/calendar; method="{method}"; charset="utf-8"')
    return MailPart(b"Content-Transfer-Encoding: base64\r\n" + disposition + kind + _MIME, _base64(content))


def joined(kind: str, mark: str, *parts: MailPart, is_whole: bool = False) -> MailPart:
    """Return parts as one of multipart/kind.

    mark       their boundary, which stands in no body
    is_whole   whether it has the header by which it could stand alone, the first
    """
    edge = f"--{mark}".encode()
    inside = b"".join(edge + b"\r\n" + bytes(part) + b"\r\n" for part in parts)
    headers = header("Content-Type", f'multipart/{kind}; boundary="{mark}"')
    return MailPart((_MIME if is_whole else b"") + headers, inside + edge + b"--\r\n")


@functools.lru_cache(maxsize=64)
def _base64(content: bytes) -> bytes:
    return base64.encodebytes(content).replace(b"\n", b"\r\n")


def quoted_printable(text: str) -> bytes:
    """Return a text in quoted-printable with CRLF line ends, the last line's too."""
    plain = b"\n".join(text.encode().splitlines()).decode("latin-1") + "\n"
    if " \n" in plain or "\t\n" in plain:  # a line that ends in a blank takes more care
        coded = quoprimime.body_encode(plain, _LINE_MAX)
    else:
        coded = _TOO_LONG.sub(_wrapped, _QUOTED.sub(_quoted, plain.replace("=", "=3D")))
    return coded.replace("\n", "\r\n").encode("ascii")


def _quoted(found: re.Match[str]) -> str:
    return f"={ord(found[0]):02X}"


def _wrapped(found: re.Match[str]) -> str:
    """Return a line with soft ends, none inside "=3D"."""
    line, start, pieces = found[0], 0, []
    while len(line) - start > _LINE_MAX:
        end = start + _LINE_MAX - 1
        escape = line.rfind("=", end - 2, end)
        end = end if escape < 0 else escape
        pieces.append(line[start:end])
        start = end
    return "=\n".join((*pieces, line[start:]))


def header(name: str, value: str) -> bytes:
    """Return a header of our own making, folded where it is long."""
    line = f"{name}: {value}"
    return f"{line}\r\n".encode() if len(line) <= _FOLDED_FROM else _HEADERS.fold(name, value).encode()
