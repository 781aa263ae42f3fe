"""On which line of a TOML text a key stands; tomllib does not say."""

from __future__ import annotations

import re
from itertools import takewhile

Loc = tuple[str | int, ...]

_HEADER = re.compile(r"\s*\[(\[)?\s*(.+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*=""")
_PART = re.compile(r"""[A-Za-z0-9_-]+|"[^"]*"|'[^']*'""")


def line_of(text: str, loc: Loc) -> int | None:
    """Return the line on which a key stands, else that of the nearest table above it, else None.

    A plain scan of headers and keys; it may miss a key of an unusual layout and then names the table.
    """
    wanted, best, best_line = tuple(map(str, loc)), 0, None
    table: tuple[str, ...] = ()
    counts: dict[tuple[str, ...], int] = {}
    for number, line in enumerate(text.split("\n"), start=1):
        header = _HEADER.match(line)
        if header and not _KEY.match(line):
            table = tuple(part.strip("\"'") for part in _PART.findall(header[2]))
            if header[1]:
                counts[table] = counts.get(table, -1) + 1
                table = (*table, str(counts[table]))
            else:
                # [[crew.a.person]] then [crew.a.person.x] belongs to the last person.
                for depth in range(1, len(table)):
                    if table[:depth] in counts:
                        table = (*table[:depth], str(counts[table[:depth]]), *table[depth:])
            here, is_header = table, True
        elif key := _KEY.match(line):
            is_header = False
            here = (*table, *(part.strip("\"'") for part in _PART.findall(key[1])))
        else:
            continue
        shared = sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], zip(here, wanted, strict=False)))
        # A header below the table wanted ([strip.N1.reading] for strip.N1) shows where that table is.
        if shared > best and (shared == len(here) or (is_header and shared >= min(2, len(wanted)))):
            best, best_line = shared, number
    return best_line
