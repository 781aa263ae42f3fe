"""Where one GRIB2 message ends and the next begins, and whether a message is whole. No decoder is asked.

A decoder takes a message that is cut off after its header, and tells of the cut late or never. So the frame is looked
at first: the four letters at its start, the length that it states, the four figures at its end.
Source: WMO Manual on Codes, vol. I.2, FM 92 GRIB edition 2, sections 0 and 8.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass

from gonogo.errors import WeatherError

BEGIN, END = b"GRIB", b"7777"
HEAD_BYTES = 16  # section 0: GRIB, two reserved bytes, discipline, edition, length as eight bytes
EDITION = 2
HASH_DIGITS = 16  # of a message's SHA-256, as it stands in a site's answer


@dataclass(frozen=True, slots=True, kw_only=True)
class ByteSpan:
    """Where a message stands in a file: its first byte and its length."""

    offset: int
    n_bytes: int


def spans(data: bytes | memoryview, place: str) -> Iterator[ByteSpan]:
    """Yield the messages of a file one after the other.

    place   what the file is called in an error

    Raises WeatherError at the first message that is not whole, passing: it may come whole another time.
    """
    at, n_bytes = 0, len(data)
    while at < n_bytes:
        head = bytes(data[at : at + HEAD_BYTES])
        stated = _stated_bytes(head, f"{place}, byte {at}")
        if at + stated > n_bytes:
            raise cut(f"{place}, byte {at}", n_bytes - at, stated)
        if bytes(data[at + stated - len(END) : at + stated]) != END:
            raise broken(f"{place}, byte {at}", f"after the {stated} bytes that it states no end follows.")
        yield ByteSpan(offset=at, n_bytes=stated)
        at += stated


def require_whole(message: bytes, place: str) -> None:
    """Raise WeatherError, passing, where bytes are not exactly one whole message."""
    found = list(spans(message, place))
    if len(found) != 1:
        raise broken(place, f"{len(found)} messages stand where one is right.")


def hash_of(message: bytes) -> str:
    """Return the first digits of a message's SHA-256, by which a stored answer names what it was read from."""
    return hashlib.sha256(message).hexdigest()[:HASH_DIGITS]


def _stated_bytes(head: bytes, place: str) -> int:
    """Return the length that a message's head states."""
    if len(head) < HEAD_BYTES and head[: len(BEGIN)] == BEGIN[: len(head)]:
        raise cut(place, len(head), HEAD_BYTES)
    if head[: len(BEGIN)] != BEGIN:
        raise broken(place, f"{head[:8]!r} is no begin of a GRIB message.")
    if head[7] != EDITION:
        raise WeatherError(
            f"{place}: GRIB edition = {head[7]}: only edition {EDITION} is read. The file is not used.", passing=False
        )
    stated = int.from_bytes(head[8:16], "big")
    if stated < HEAD_BYTES + len(END):
        raise broken(place, f"it states a length of {stated} bytes.")
    return stated


def cut(place: str, n_bytes: int, stated: int) -> WeatherError:
    """Return the error of a message that ends too soon."""
    return WeatherError(
        f"{place}: the message is cut: {n_bytes} of {stated} bytes are there. A whole message is right.", passing=True
    )


def broken(place: str, wrong: str) -> WeatherError:
    """Return the error of bytes that are no message."""
    return WeatherError(f"{place}: the message is broken: {wrong} A whole GRIB2 message is right.", passing=True)
