"""Complex packing put together by hand, for what ecCodes reads and does not write: two kinds of missing values.

Source: WMO Manual on Codes, vol. I.2, FM 92 GRIB edition 2: templates 5.2 and 5.3, 7.2 and 7.3, code table 5.5.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence

import numpy as np

PRIMARY, SECONDARY = "primary", "secondary"  # how a point without a value is named here
Point = float | str
DECIMALS = 1  # digits after the point that are kept
EXTRA_OCTETS = 2  # of each number that spatial differencing begins with


def repacked(message: bytes, values: Sequence[Point], *, kinds: int, differs: bool, row: int) -> bytes:
    """Return a message with other values, packed in groups of a row's length.

    values    a number, PRIMARY or SECONDARY for each point
    kinds     1 or 2: how many kinds of missing values there are (missing value management)
    differs   by spatial differencing of first order (template 5.3), else as they are (5.2)
    """
    known = [value for value in values if not isinstance(value, str)]
    scale = 10**DECIMALS
    reference = round(min(known) * scale)
    numbers = [value if isinstance(value, str) else round(value * scale) - reference for value in values]
    extra = b""
    if differs:
        numbers, extra = _differences(numbers)
    groups = [numbers[first : first + row] for first in range(0, len(numbers), row)]
    ref_bits = 16
    parts = [_group(group, kinds, ref_bits) for group in groups]
    packed = (
        extra
        + _bits((ref, ref_bits) for ref, _, _ in parts)
        + _bits((width, 8) for _, width, _ in parts)
        + _bits((0, 8) for _ in parts)
        + _bits((code, width) for _, width, codes in parts for code in codes if width)
    )
    head = struct.pack(">IHfHHBBBBffIBBIBIB", len(values), 3 if differs else 2, float(reference), 0, DECIMALS, ref_bits,
                       0, 1, kinds, 1e20, 2e20, len(groups), 0, 8, row, 1, len(groups[-1]), 8)  # fmt: skip
    if differs:
        head += bytes([1, EXTRA_OCTETS])
    sections = b"".join(_section(number, body) for number, body in ((5, head), (6, b"\xff"), (7, packed)))
    before = b"".join(section for section in _sections(message) if section[4] < 5)
    n_bytes = 16 + len(before) + len(sections) + 4
    return message[:8] + n_bytes.to_bytes(8, "big") + before + sections + b"7777"


def _differences(numbers: Sequence[int | str]) -> tuple[list[int | str], bytes]:
    """Return the differences of neighbours that have a value, from the least on, and what they begin with."""
    known = [number for number in numbers if not isinstance(number, str)]
    least = int(min(np.diff(known)))
    coded = iter([0, *(int(d) - least for d in np.diff(known))])
    sign = 1 << (8 * EXTRA_OCTETS - 1)
    extra = known[0].to_bytes(EXTRA_OCTETS, "big") + (abs(least) | (sign if least < 0 else 0)).to_bytes(
        EXTRA_OCTETS, "big"
    )
    return [number if isinstance(number, str) else next(coded) for number in numbers], extra


def _group(numbers: Sequence[int | str], kinds: int, ref_bits: int) -> tuple[int, int, list[int]]:
    """Return (reference, width, codes) of a group. One of a single kind of missing values has no width."""
    if set(numbers) in ({PRIMARY}, {SECONDARY}):
        return 2**ref_bits - (1 if numbers[0] == PRIMARY else 2), 0, []
    known = [number for number in numbers if not isinstance(number, str)]
    width = int(max(known) - min(known) + kinds).bit_length()
    code = {PRIMARY: 2**width - 1, SECONDARY: 2**width - 2}
    return min(known), width, [code[n] if isinstance(n, str) else n - min(known) for n in numbers]


def _bits(fields: Iterator[tuple[int, int]] | Sequence[tuple[int, int]]) -> bytes:
    text = "".join(f"{number:0{width}b}" for number, width in fields)
    text += "0" * (-len(text) % 8)
    return int(text, 2).to_bytes(len(text) // 8, "big") if text else b""


def _section(number: int, body: bytes) -> bytes:
    return (len(body) + 5).to_bytes(4, "big") + bytes([number]) + body


def _sections(message: bytes) -> Iterator[bytes]:
    at = 16
    while message[at : at + 4] != b"7777":
        n_bytes = int.from_bytes(message[at : at + 4], "big")
        yield message[at : at + n_bytes]
        at += n_bytes
