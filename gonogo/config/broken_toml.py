"""A TOML text with slips in it: each slip in our words, and all the rest read as if they were mended.

tomllib stops at the first slip and names it in the words of a grammar. Here each statement (a header, or a key with its
value) is read by itself, so that a person mends a file in one go and other faults are found beside the slips.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from gonogo.config.broken_values import example_of, mended_value
from gonogo.config.lines import Loc

MOST_SLIPS = 100  # a file with more is none that a person wrote as TOML
MOST_CONTRADICTIONS = 10
_MOST_LINES = 20_000
_START = re.compile(r"""\s*(?:[A-Za-z0-9_.\-"' ]+=(?!=)|\[{1,2}\s*[A-Za-z][^\[\],]*\]{1,2}\s*(?:#.*)?$)""")
_HEADER = re.compile(r"\s*\[(?P<second>\[)?(?P<name>[^\[\]=#]*)(?P<end>\]*)\s*(?:#.*)?$")
_BEHIND = re.compile(r"\s*(\[{1,2}[^\[\]]+\]{1,2})\s*[^\s#].*")
_NAME = re.compile(r"""[A-Za-z0-9_-]+|"[^"]*"|'[^']*'""")
_KEY_VALUE = re.compile(r"""\s*(?P<key>[^=]+?)\s*=(?P<value>.*)""", re.DOTALL)
_ODD_KEY_VALUE = re.compile(
    r"""\s*(?P<key>[A-Za-z][A-Za-z0-9_.-]*)\s*(?P<mark>:=|:|\s|=)\s*(?P<value>\S.*)""", re.DOTALL
)
_SECRET = re.compile(r"(?:.*_)?(?:pass(?:word|wd|phrase)?|secret|token|key|url)(?:_.*)?", re.IGNORECASE)
_UNOPENED = re.compile(r"\s*[A-Za-z][A-Za-z0-9_.-]*\]{1,2}\s*(?:#.*)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class TomlSlip:
    """One slip of TOML. line: from 1; key: its path with dots; stood: what stood there, as far as it may be shown."""

    line: int
    key: str
    stood: str
    wrong: str
    right: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Mended:
    """What could be read. lost: paths whose value could not be made out; nothing more is to be said about them."""

    tables: dict[str, Any]
    slips: tuple[TomlSlip, ...]
    lost: tuple[Loc, ...]


@dataclass(slots=True)
class _Reading:
    """The text under reading: statements that are kept by their first line, and what was said of the others."""

    kept: dict[int, str] = field(default_factory=dict)
    slips: list[TomlSlip] = field(default_factory=list)
    lost: list[Loc] = field(default_factory=list)
    places: dict[int, Loc] = field(default_factory=dict)  # of each kept statement
    seen: dict[Loc, int] = field(default_factory=dict)
    counts: dict[Loc, int] = field(default_factory=dict)  # last index of each list of tables
    table: Loc = ()
    is_passed_over: bool = False  # the table stands there twice
    renamed: Loc = ()  # the table whose header just now was a slip: tables below it go by the name that was meant

    def say(self, line: int, path: Loc, stood: str, slip: tuple[str, str]) -> None:
        is_hidden = any(_SECRET.fullmatch(str(part)) for part in path[-1:])
        key = ".".join(map(str, path)) or "line"
        wrong, right = slip
        shown = "(not shown)" if is_hidden else " ".join(stood.split())
        if is_hidden:
            right = "Write text in quotes, on one line."
        self.slips.append(TomlSlip(line=line, key=key, stood=shown, wrong=wrong, right=right))


def read_broken(text: str) -> Mended | None:
    """Return what a text with slips holds and each slip, in the order of its lines; None for what is no such text."""
    if text.count("\n") > _MOST_LINES:
        return None
    reading = _Reading()
    for line, statement in _statements(text):
        if statement.lstrip().startswith("[") or _UNOPENED.fullmatch(statement):
            _read_header(reading, line, statement)
        elif not reading.is_passed_over:
            _read_key(reading, line, statement)
        if len(reading.slips) > MOST_SLIPS:
            return None
    tables = _together(reading)
    if tables is None:
        return None
    slips = tuple(sorted(reading.slips, key=lambda slip: slip.line))
    return Mended(tables=tables, slips=slips, lost=tuple(reading.lost))


def _statements(text: str) -> Iterator[tuple[int, str]]:
    """Yield (line, text) of each statement; one that is left open ends where the next seems to begin."""
    lines = text.split("\n")
    at = 0
    while at < len(lines):
        begin = at
        at += 1
        if not lines[begin].strip() or lines[begin].lstrip().startswith("#"):
            continue
        if not _is_open(lines[begin]):
            yield begin + 1, lines[begin]
            continue
        end = at
        is_text = _opens_text(lines[begin])
        while end < len(lines) and (is_text or not _START.match(lines[end])):
            end += 1
            if not _is_open("\n".join(lines[begin:end])):
                at = end
                break
            if end - begin > 500:
                break
        yield begin + 1, "\n".join(lines[begin:at])


def _opens_text(line: str) -> bool:
    return line.count('"""') % 2 == 1 or line.count("'''") % 2 == 1


def _is_open(text: str) -> bool:
    """Return whether a value goes on below: a list that is not closed, or text in three quotes."""
    if _opens_text(text):
        return True
    if text.lstrip().startswith("["):
        return False
    bare = re.sub(r'"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'|#[^\n]*', "", text)
    return bare.count("[") > bare.count("]")


def _is_good(statement: str) -> bool:
    try:
        tomllib.loads(statement)
    except (ValueError, RecursionError):  # TOMLDecodeError is a ValueError
        return False
    return True


def _read_header(reading: _Reading, line: int, statement: str) -> None:
    """Take a header, mended where that can be done."""
    behind = None if _is_good(statement) else _BEHIND.match(statement)
    if behind is not None and _is_good(behind[1]):
        wrong = "is a header with text behind it that is no comment."
        reading.say(line, tuple(_NAME.findall(behind[1])), statement, (wrong, f"Write {behind[1]}  # ..."))
        statement = behind[1]
    names = tuple(part.strip("\"'") for part in _NAME.findall(statement.partition("#")[0]))
    is_list = statement.lstrip().startswith("[[") or "]]" in statement
    reading.is_passed_over = False
    if reading.renamed and len(names) > len(reading.renamed) and names[: len(reading.renamed)] not in reading.seen:
        reading.lost.append(names[: len(reading.renamed)])
    reading.renamed = ()
    if not _is_good(statement):
        found = _HEADER.match(statement)
        whole = [part.strip() for part in found["name"].split(".")] if found else []
        is_odd = any(not _NAME.fullmatch(part) for part in whole)
        names = tuple(re.sub(r"[^A-Za-z0-9_-]+", "_", part).strip("_") or "x" for part in whole) if is_odd else names
        if not names:
            reading.say(line, (), statement, ("is no header.", "Write one, for example [strip.N1]."))
            reading.is_passed_over = True
            return
        meant = ".".join(names)
        meant = f"[[{meant}]]" if is_list else f"[{meant}]"
        wrong = "is no header: a name holds letters a to z, digits, - and _ alone." if is_odd else "is no header."
        reading.say(line, names, statement, (wrong, f"Write {meant}."))
        statement, reading.renamed = meant, names if is_odd else ()
    path = _counted(reading, names)
    if is_list:
        reading.counts[path] = reading.counts.get(path, -1) + 1
        path = (*path, reading.counts[path])
    elif path in reading.seen:
        first = f"stands there twice, first on line {reading.seen[path]}."
        what = " ".join(statement.partition("#")[0].split())
        reading.say(line, path, what, (first, "Give each strip, crew, material and machine a name of its own."))
        reading.is_passed_over, reading.renamed = True, path
        return
    reading.seen[path] = line
    reading.table = path
    _keep(reading, line, path, statement)


def _counted(reading: _Reading, names: tuple[str, ...]) -> Loc:
    """Return a path with the number of the entry after each list of tables on its way."""
    path: Loc = ()
    for part in names[:-1]:
        path = (*path, part)
        if path in reading.counts:
            path = (*path, reading.counts[path])
    return (*path, *names[-1:])


def _read_key(reading: _Reading, line: int, statement: str) -> None:
    """Take a key with its value, mended where that can be done."""
    key_value = _KEY_VALUE.fullmatch(statement)
    names = tuple(part.strip("\"'") for part in _NAME.findall(key_value["key"])) if key_value else ()
    path = (*reading.table, *names)
    if not _is_good(statement):
        mended = _mended_key(reading, line, statement)
        if mended is None:
            return
        path, statement = mended
    if path in reading.seen:
        first = f"stands there twice, first on line {reading.seen[path]}."
        reading.say(line, path, statement.partition("=")[2].partition("#")[0], (first, "Delete one of the two."))
        return
    reading.seen[path] = line
    _keep(reading, line, path, statement)


def _mended_key(reading: _Reading, line: int, statement: str) -> tuple[Loc, str] | None:
    """Say what is wrong with a statement; return its path and what is taken in its place, None for nothing."""
    key_value = _KEY_VALUE.fullmatch(statement)
    if key_value is None or (re.match(r"\s*[A-Za-z][A-Za-z0-9_.-]*\s*:=?", statement) and ":" in key_value["key"]):
        odd = _ODD_KEY_VALUE.fullmatch(statement)
        if odd is None:
            wrong = "is neither a header in [ ] nor a key with its value."
            reading.say(line, reading.table, statement, (wrong, "Write key = value, or # before a comment."))
            return None
        path, value = (*reading.table, odd["key"]), odd["value"]
        meant = f"{odd['key']} = {value.strip()}"
        if not _is_good(meant):
            _, _, again = mended_value(odd["key"], value)
            meant = f"{odd['key']} = {again}" if again is not None else ""
        right = f"Write {meant.partition('#')[0].strip()}." if meant else "Write key = value, or # before a comment."
        reading.say(line, path, statement, ("lacks the = between key and value.", right))
        if not meant:
            reading.lost.append(path)
            return None
        return path, meant
    key, value = key_value["key"].strip(), key_value["value"]
    if not _is_good(f"{key} = 1"):
        name = re.sub(r"[^A-Za-z0-9_.-]+", "_", key).strip("_") or "key"
        wrong = f"is no key: {key!r} holds more than letters a to z, digits, - and _."
        reading.say(line, reading.table, statement, (wrong, "Write the key as README and the example config have it."))
        reading.lost.append((*reading.table, name))
        return None
    path = (*reading.table, *(part.strip("\"'") for part in _NAME.findall(key)))
    wrong, right, meant_value = mended_value(str(path[-1]), value)
    reading.say(line, path, value.partition(" #")[0].strip(), (wrong, right or example_of(key)))
    if meant_value is None or not _is_good(f"{key} = {meant_value}"):
        reading.lost.append(path)
        return None
    return path, f"{key} = {meant_value}"


def _keep(reading: _Reading, line: int, path: Loc, statement: str) -> None:
    reading.kept[line] = statement
    reading.places[line] = path


def _together(reading: _Reading) -> dict[str, Any] | None:
    """Return the tables of all kept statements; one that contradicts those above it is said and left out.

    None where there are too many of these: each takes a reading of the whole.
    """
    for _ in range(MOST_CONTRADICTIONS):
        lines = sorted(reading.kept)
        starts, number = {}, 1
        for line in lines:
            starts[number] = line
            number += reading.kept[line].count("\n") + 1
        try:
            return tomllib.loads("\n".join(reading.kept[line] for line in lines))
        except (ValueError, RecursionError) as error:
            if not lines:
                return {}
            found = re.search(r"at line (\d+)", str(error))
            number = int(found[1]) if found else number
            at = starts[max((start for start in starts if start <= number), default=1)]
            path, stood = reading.places[at], reading.kept.pop(at)
            wrong = "contradicts a table or key of the same name above it."
            reading.say(at, path, stood.partition("#")[0], (wrong, "Keep one of the two."))
            reading.lost.append(path)
    return None
