"""On which line of a TOML text a key stands; tomllib does not say."""

from __future__ import annotations

import re
from collections.abc import Iterator

Loc = tuple[str | int, ...]

_HEADER = re.compile(r"\s*\[(\[)?\s*(.+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*=""")
_PART = re.compile(r"""[A-Za-z0-9_-]+|"[^"]*"|'[^']*'""")


class Lines:
    """The keys and headers of a text with their lines, looked for when the first line is asked for."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._is_read = False
        self._line_of: dict[tuple[str, ...], int] = {}
        self._header_of: dict[tuple[str, ...], int] = {}  # first header of, or below, a table

    def line_of(self, loc: Loc) -> int | None:
        """Return the line on which a key stands, else that of the nearest table above it, else None.

        A plain scan of headers and keys; it may miss a key of an unusual layout and then names the table.
        """
        if not self._is_read:
            self._read()
        wanted = tuple(map(str, loc))
        for n in range(len(wanted), 0, -1):
            found = self._line_of.get(wanted[:n])
            # A header below the table wanted ([strip.N1.reading] for strip.N1) shows where that table is.
            below = self._header_of.get(wanted[:n]) if n >= min(2, len(wanted)) else None
            if found is not None or below is not None:
                return min(line for line in (found, below) if line is not None)
        return None

    def _read(self) -> None:
        self._is_read = True
        for number, here, is_header in _keys(self._text):
            self._line_of.setdefault(here, number)
            for n in range(1, len(here) + 1) if is_header else ():
                self._header_of.setdefault(here[:n], number)


def _keys(text: str) -> Iterator[tuple[int, tuple[str, ...], bool]]:
    """Yield the line of each key and header of a text, the place of what it names, and whether it is a header."""
    table: tuple[str, ...] = ()
    counts: dict[tuple[str, ...], int] = {}
    for number, line in enumerate(text.split("\n"), start=1):
        header = _HEADER.match(line)
        key = _KEY.match(line)
        if header and not key:
            table = tuple(part.strip("\"'") for part in _PART.findall(header[2]))
            if header[1]:
                counts[table] = counts.get(table, -1) + 1
                table = (*table, str(counts[table]))
            else:
                # [[crew.a.person]] then [crew.a.person.x] belongs to the last person.
                for depth in range(1, len(table)):
                    if table[:depth] in counts:
                        table = (*table[:depth], str(counts[table[:depth]]), *table[depth:])
            yield number, table, True
        elif key:
            yield number, (*table, *(part.strip("\"'") for part in _PART.findall(key[1]))), False
