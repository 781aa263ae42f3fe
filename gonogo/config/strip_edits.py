"""One strip of a site changed, added or ended in the files themselves: the rest of each file stays as it was."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import Table

from gonogo.config import dialect
from gonogo.config.cells import ListColumn, value_of
from gonogo.config.lists import STRIPS, columns_of_list, folder_of
from gonogo.config.text_file import UnreadableFileError, text_of
from gonogo.config.values import choose_from
from gonogo.errors import ConfigError, Fault

PLACE = "command line"


@dataclass(frozen=True, slots=True, kw_only=True)
class Edit:
    """A file and what its text becomes."""

    path: Path
    text: str


def refused(key: str, value: str, wrong: str, right: str) -> ConfigError:
    """Return the error of an edit that cannot be made."""
    return ConfigError([Fault(place=PLACE, key=key, value=value, wrong=wrong, right=f"{right} Nothing was changed.")])


def values_of(words: tuple[str, ...]) -> dict[str, tuple[ListColumn, str]]:
    """Return column and text of each `key=value`; the keys are the columns of a list of strips.

    Raises ConfigError with every word that is not known.
    """
    known = {name: column for name, column in columns_of_list(STRIPS).items() if name != "id"}
    found, faults = {}, []
    for word in words:
        key, sign, text = word.partition("=")
        column = known.get(key.strip())
        if not sign:
            faults.append((word, "", "is no key=value.", "Write, for example, length_m=120."))
        elif column is None:
            in_si = [name for name, own in known.items() if own.per_unit == 1.0]
            faults.append((key, text, "is no key of a strip.", choose_from(key, in_si)))
        elif text.strip() and isinstance(value := value_of(column, text.strip()), tuple):
            faults.append((key, text, *value))
        else:
            found[key.strip()] = (column, text.strip())
    if faults:
        raise ConfigError([f for word in faults for f in refused(*word).faults])
    return found


def changed(site_file: Path, strip_id: str, values: Mapping[str, tuple[ListColumn, str]]) -> Edit:
    """Return the file that holds a strip, with some of its values changed; an empty text takes a value out."""
    beside = folder_of(site_file) / STRIPS
    if beside.is_file() and strip_id in _List(beside).rows:
        return _List(beside).with_row(strip_id, values)
    document = _document(site_file)
    table = document.get("strip", {}).get(strip_id)
    if table is None:
        raise refused("strip", strip_id, "is no strip of the site.", "`gonogo strips` lists them.")
    _fill(table, values)
    return Edit(path=site_file, text=tomlkit.dumps(document))


def added(site_file: Path, strip_id: str, values: Mapping[str, tuple[ListColumn, str]]) -> Edit:
    """Return the file that a new strip goes into: the list beside the site's file where there is one."""
    beside = folder_of(site_file) / STRIPS
    if beside.is_file():
        return _List(beside).with_row(strip_id, values)
    document = _document(site_file)
    table = tomlkit.table()
    _fill(table, values)
    strips = document.get("strip")
    if strips is None:
        strips = document["strip"] = tomlkit.table(is_super_table=True)
    table.trivia.indent = "\n"
    strips[strip_id] = table
    return Edit(path=site_file, text=tomlkit.dumps(document))


# --- TOML ------------------------------------------------------------------------------------------------------


def _document(path: Path) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(text_of(path))
    except UnreadableFileError as error:
        raise refused("file", str(path), error.wrong, error.right) from error
    except TOMLKitError as error:
        raise refused("file", str(path), f"is not TOML: {error}.", "`gonogo check` says what is wrong.") from error


def _fill(table: Table | Any, values: Mapping[str, tuple[ListColumn, str]]) -> None:
    for column, text in values.values():
        inner = table
        for part in column.path[:-1]:
            if part not in inner:
                inner[part] = tomlkit.table()
            inner = inner[part]
        key = column.path[-1]
        if text:
            inner[key] = value_of(column, text)
        else:
            inner.pop(key, None)


def _plain(value: float) -> str:
    """Return a number in so few digits that none can be taken for thousands."""
    return f"{round(value, 2):.10g}" if abs(value) >= 1.0 else f"{value:.4g}"


# --- lists -----------------------------------------------------------------------------------------------------


class _List:
    """A list of strips as text, of which single lines are rewritten.

    rows   by id: first and last line, counted from 0, and the cells as they stand
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            text = text_of(path)
        except UnreadableFileError as error:
            raise refused("file", str(path), error.wrong, error.right) from error
        self.mark = "\ufeff" if path.read_bytes().startswith(b"\xef\xbb\xbf") else ""
        self.lines = text.split("\n")
        self.separator = dialect.separator_of(text)
        self.rows: dict[str, tuple[int, int, list[str]]] = {}
        reader = csv.reader(io.StringIO(text), delimiter=self.separator)
        first = 0
        self.cells: list[str] = []
        self.names: list[str] = []
        for cells in reader:
            stripped = [cell.strip() for cell in cells]
            if first == 0:
                self.cells = stripped
                self.names, self.written = dialect.named(stripped, self.separator)
            elif any(stripped) and "id" in self.names and len(stripped) > self.names.index("id"):
                self.rows[stripped[self.names.index("id")]] = (first, reader.line_num, stripped)
            first = reader.line_num
        if "id" not in self.names:
            raise refused("file", str(path), "has no column `id`.", "`gonogo check` says what is wrong.")

    def with_row(self, strip_id: str, values: Mapping[str, tuple[ListColumn, str]]) -> Edit:
        """Return the list with a strip's line rewritten, or added at its end."""
        known = columns_of_list(STRIPS)
        known_at = {known[name].path: n for n, name in enumerate(self.names) if name in known}
        lines = list(self.lines)
        new_names = [key for key, (column, _) in values.items() if column.path not in known_at]
        header = [*self.cells, *new_names]
        start, end, cells = self.rows.get(strip_id, (len(lines), len(lines), []))
        cells = [*cells, *[""] * (len(header) - len(cells))]
        cells[self.names.index("id")] = strip_id
        for key, (column, text) in values.items():
            at = known_at.get(column.path, len(self.cells) + new_names.index(key) if key in new_names else -1)
            own = known[self.names[at]] if at < len(self.names) else column
            cells[at] = self._cell(own, column, text)
        if new_names:
            lines[0] = self._line(header)
        if start == len(lines):
            while lines and not lines[-1].strip():
                lines.pop()
            lines += [self._line(cells), ""]
        else:
            lines[start:end] = [self._line(cells)]
        return Edit(path=self.path, text=self.mark + "\n".join(lines))

    def _cell(self, own: ListColumn, given: ListColumn, text: str) -> str:
        """Return a text as the column of the list writes it: in its unit, its order of dates and its decimals."""
        if not text:
            return ""
        value = value_of(given, text)
        if isinstance(value, date) and (order := self.written.orders.get(own.header)):
            return value.strftime("%d/%m/%Y" if order == "dd" else "%m/%d/%Y") + text[10:]
        if own.per_unit != given.per_unit and isinstance(value, float):
            text = _plain(value / own.per_unit)
        is_plain = re.fullmatch(r"[+-]?[0-9]+\.[0-9]+", text) is not None
        return text.replace(".", ",") if is_plain and self._has_decimal_commas else text

    @property
    def _has_decimal_commas(self) -> bool:
        return self.separator == ";" and any(
            re.fullmatch(r"[+-]?[0-9]+,[0-9]+", cell) for _, _, cells in self.rows.values() for cell in cells
        )

    def _line(self, cells: list[str]) -> str:
        out = io.StringIO()
        csv.writer(out, delimiter=self.separator, lineterminator="").writerow(cells)
        return out.getvalue()
