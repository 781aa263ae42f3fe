"""How a CSV is written, as far as its first line makes certain: what separates columns, decimals, order of dates.

A file with semicolons writes decimals with a comma, as spreadsheets of such countries save them. Dates other than
2026-05-12 are read where the column says how: `at (dd/mm/yyyy)`. Whatever stays open is refused in words.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

# A comma with exactly three digits behind it could part thousands too, unless a zero stands before it: that stays as it
# is, and is asked about.
_DECIMAL_COMMA = re.compile(r"([+-]?0(?=,)|[+-]?[0-9]+(?=,[0-9]{1,2}$|,[0-9]{4,}$)),([0-9]+)")
_BOTH_SIGNS = re.compile(r"([1-9][0-9]{0,2}(?:\.[0-9]{3})+),([0-9]+)")
_NAMED_ORDER = re.compile(
    r"(?P<name>[\w.]+)\s*[(\[]?\s*(?P<order>dd[/.-]mm[/.-]yyyy|mm[/.-]dd[/.-]yyyy)\s*[)\]]?", re.I
)
_DATE = re.compile(r"([0-9]{1,2})[/.-]([0-9]{1,2})[/.-]([0-9]{4})(.*)", re.DOTALL)
SEPARATORS = (",", ";", "\t")


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """How a file is written. orders: by column "dd" or "mm", whichever comes first in its dates."""

    separator: str
    orders: Mapping[str, str]

    def plain(self, column: str, cell: str) -> str:
        """Return a cell as the rest of the program reads it: a point for decimals, the year first."""
        text = cell.strip()
        if order := self.orders.get(column):
            return _year_first(text, order)
        if self.separator != ";":
            return cell
        if found := _DECIMAL_COMMA.fullmatch(text):
            return f"{found[1]}.{found[2]}"
        if found := _BOTH_SIGNS.fullmatch(text):
            return f"{found[1].replace('.', '')}.{found[2]}"
        return cell


def separator_of(text: str) -> str:
    """Return what parts the columns of a file, by its first line alone; a comma where that does not say."""
    first = text.partition("\n")[0]
    there = [sign for sign in SEPARATORS if sign in first]
    return there[0] if len(there) == 1 else ","


def named(header: Sequence[str], separator: str) -> tuple[list[str], Dialect]:
    """Return the names of the columns without what they say of dates, and how the file is written."""
    names, orders = [], {}
    for column in header:
        found = _NAMED_ORDER.fullmatch(column)
        names.append(found["name"] if found else column)
        if found:
            orders[found["name"]] = found["order"][:2].lower()
    return names, Dialect(separator=separator, orders=orders)


def _year_first(text: str, order: str) -> str:
    found = _DATE.fullmatch(text)
    if found is None:
        return text
    day, month = (found[1], found[2]) if order == "dd" else (found[2], found[1])
    return f"{found[3]}-{month:0>2}-{day:0>2}{found[4]}"
