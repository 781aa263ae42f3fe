"""One config file while it is read: its text, where each key stands in it, and what is wrong with it.

Every Fault names file and line, key, value, what is wrong and what would be right.
"""

from __future__ import annotations

import re
import tomllib
import typing
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, TypeAdapter, ValidationError
from pydantic_core import ErrorDetails

from gonogo.config.broken_toml import read_broken
from gonogo.config.broken_values import decimal_commas, in_other_form
from gonogo.config.examples import example
from gonogo.config.lines import Lines, Loc
from gonogo.config.text_file import UnreadableFileError, text_of
from gonogo.config.values import FAULT, NO_TIME_OF_DAY, choose_from, near
from gonogo.errors import Fault, printable

TableT = TypeVar("TableT", bound=BaseModel)

_MISSING = object()
_SECRET = re.compile(r"pass(word|wd|phrase)?|secret|token|api_?key|key", re.IGNORECASE)
_SECRET_SOURCE = re.compile(r"(password|key|url)_(env|file)")

_TYPES = {
    "float_type": "is not a number.",
    "int_type": "is not a whole number.",
    "int_from_float": "is not a whole number.",
    "string_type": "is not text in quotes.",
    "bool_type": "is neither true nor false.",
    "list_type": "is not a list in square brackets.",
    "date_type": "is not a date.",
    "date_from_datetime_inexact": "is not a date.",
    "time_type": "is no time of day.",
    "datetime_type": "is not a date with a time of day.",
    "finite_number": "is not a finite number.",
    "model_type": "is not a table.",
    "model_attributes_type": "is not a table.",
    "missing": "is missing.",
    "too_short": "has too few entries.",
    "too_long": "has too many entries.",
    "string_too_short": "is empty.",
}
_FORMS = ("float_type", "int_type", "date_type", "datetime_type", "time_type")


def written(value: Any) -> str:
    """Return a value much as it stood in the file, cut to a line."""
    if isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, str):
        text = f'"{printable(value)}"'
    elif isinstance(value, (dict, list)):
        text = repr(value) if len(value) <= 8 else f"{'table' if isinstance(value, dict) else 'list'} of {len(value)}"
    else:
        try:
            text = str(value)
        except ValueError:  # a whole number of more digits than Python prints
            text = "a very long number"
    return text if len(text) <= 80 else text[:77] + "..."


class ConfigFile:
    """A file under reading. `faults` stop the config; `warnings` may be ignored."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.text = ""
        self.raw: dict[str, Any] = {}
        self.faults: list[Fault] = []
        self.warnings: list[Fault] = []
        self._elsewhere: dict[Loc, tuple[str, str | None]] = {}
        self._refused: set[Loc] = set()
        self._lost: tuple[Loc, ...] = ()
        try:
            self.text = text_of(path)
            self.raw = tomllib.loads(self.text)
        except UnreadableFileError as error:
            self._unreadable(error.wrong, error.right, error.line)
        except (RecursionError, ValueError):  # not TOML; brackets nested too deep; numbers or dates beyond Python's
            self._read_broken()
        self._lines = Lines(self.text)
        self._note_decimal_commas()

    def _read_broken(self) -> None:
        """Read what can be read of a text with slips, and note each slip."""
        mended = read_broken(self.text)
        if mended is None:
            self._unreadable("is not TOML.", "Copy the example's file and change what is yours.")
            return
        self.raw, self._lost = mended.tables, mended.lost
        self.faults += [
            Fault(place=f"{self.path}:{slip.line}", key=slip.key, value=slip.stood, wrong=slip.wrong, right=slip.right)
            for slip in mended.slips
        ]

    def _note_decimal_commas(self) -> None:
        """Note each list that reads as twice as many numbers as its writer meant."""
        commas = {found[0]: found[1:] for line in self.text.split("\n") if (found := decimal_commas(line)) is not None}
        for loc in _lists_called(self.raw, set(commas)) if commas else ():
            if decimal_commas(self.text.split("\n")[(self._lines.line_of(loc) or 1) - 1]) is not None:
                self.add_fault(loc, *commas[str(loc[-1])])
                self._lost = (*self._lost, loc)

    def _unreadable(self, wrong: str, right: str, line: int | None = None) -> None:
        place = f"{self.path}:{line}" if line else str(self.path)
        self.faults.append(Fault(place=place, key="file", value="", wrong=wrong, right=right))

    @property
    def is_readable(self) -> bool:
        return not any(fault.key == "file" for fault in self.faults)

    def add_fault(self, loc: Loc, wrong: str, right: str, *, is_shown: bool = True) -> None:
        """Note a fault at a place in the file. `is_shown` False keeps the value out of the text.

        Of a key whose value could not be read nothing more is said.
        """
        if loc in self._refused or any(loc[: len(lost)] == lost for lost in self._lost):
            return
        self.faults.append(self._fault(loc, wrong, right, is_shown=is_shown))

    def refuse(self, loc: Loc, wrong: str, right: str) -> None:
        """Note the fault of a cell that is no value, in place of all that its absence would bring."""
        text = self._elsewhere[loc][1] or ""
        self.fault_at(self.place(loc), ".".join(map(str, loc)), text, wrong, right)
        self._refused.add(loc)

    def warn(self, number: int, loc: Loc, wrong: str, right: str) -> None:
        """Note something that a person may ignore; `number` is a key of warning_numbers.WARNINGS."""
        self.warnings.append(replace(self._fault(loc, wrong, right, is_shown=True), number=number))

    def fault_at(self, place: str, key: str, value: str, wrong: str, right: str) -> None:
        """Note a fault of a list beside the file, at the place itself."""
        self.faults.append(Fault(place=place, key=key, value=value, wrong=wrong, right=right))

    def warn_at(self, number: int, place: str, key: str, wrong: str, right: str) -> None:
        """Note something of a list beside the file that a person may ignore."""
        self.warnings.append(Fault(place=place, key=key, value="", wrong=wrong, right=right, number=number))

    def stands_at(self, loc: Loc, place: str, text: str | None = None) -> None:
        """Say that what stands at `loc` was written elsewhere, and as which text."""
        self._elsewhere[loc] = place, text

    def place(self, loc: Loc) -> str:
        """Return file and line of what stands at `loc`: in this file, or in a list beside it."""
        for depth in range(len(loc), 0, -1):
            if loc[:depth] in self._elsewhere:
                return self._elsewhere[loc[:depth]][0]
        line = self._lines.line_of(loc)
        return f"{self.path}:{line}" if line else str(self.path)

    def _fault(self, loc: Loc, wrong: str, right: str, *, is_shown: bool) -> Fault:
        value = value_at(self.raw, loc)
        text = self._elsewhere.get(loc, ("", None))[1]
        stood = text if text is not None else written(value)
        shown = "" if value is _MISSING or isinstance(value, dict) else stood if is_shown else "(not shown)"
        key = ".".join(map(str, loc))
        return Fault(place=self.place(loc), key=key, value=shown, wrong=wrong, right=right)

    def read(self, model: type[TableT], raw: Any, loc: Loc) -> TableT | None:
        """Return a table as its model, or None after noting every fault in it."""
        try:
            return model.model_validate(raw)
        except ValidationError as error:
            details = error.errors(include_url=False)
            meant = {_meant_by(model, tuple(d["loc"])) for d in details if d["type"] == "extra_forbidden"}
            for detail in details:
                if detail["type"] != "missing" or tuple(detail["loc"]) not in meant:  # its mistyped key is said
                    self._note(model, detail, loc)
        return None

    def read_id(self, adapter: TypeAdapter[str], name: str, loc: Loc) -> None:
        """Note a fault in the id under which a table stands."""
        try:
            adapter.validate_python(name)
        except ValidationError as error:
            context = error.errors(include_url=False)[0].get("ctx", {})
            self.add_fault(loc, f'"{written(name)[1:-1]}" {context.get("wrong")}', str(context.get("right")))

    def _note(self, model: type[BaseModel], detail: ErrorDetails, loc: Loc) -> None:
        inner = tuple(detail["loc"])
        at = (*loc, *inner)
        key = next((str(part) for part in reversed(at) if isinstance(part, str)), "")
        kind, context = detail["type"], detail.get("ctx", {})
        if kind == "extra_forbidden":
            self._note_unknown_key(model, inner, at, key)
        elif kind == FAULT:
            other = in_other_form(key, str(value_at(self.raw, at))) if context["wrong"] == NO_TIME_OF_DAY else None
            if other is not None:
                self.add_fault(at, *other)
                return
            is_shown = not _SECRET_SOURCE.fullmatch(key) and "in clear" not in context["wrong"]
            self.add_fault(at, context["wrong"], context["right"], is_shown=is_shown)
        elif kind == "literal_error":
            known = re.findall(r"'([^']*)'", str(context["expected"]))
            stood = value_at(self.raw, at)
            remedy = choose_from(stood, known) if isinstance(stood, str) else f"Write one of: {', '.join(known)}."
            self.add_fault(at, "is not among the words known here.", remedy)
        else:
            wrong = _TYPES.get(kind, f"is not right: {detail['msg'].lower()}.")
            stood = value_at(self.raw, at)
            other = in_other_form(key, stood) if isinstance(stood, str) else None
            if other is not None and kind in _FORMS:
                self.add_fault(at, *other)
                return
            quoted = isinstance(value_at(self.raw, at), str) and kind not in ("missing", "string_too_short")
            self.add_fault(at, wrong, f"Write{' it without quotes,' if quoted else ','} for example, {example(key)}.")

    def _note_unknown_key(self, model: type[BaseModel], inner: Loc, at: Loc, key: str) -> None:
        known = list(_fields_at(model, inner[:-1]))
        source = next((k for k in ("password_env", "key_env", "url_env") if k in known), None)
        if _SECRET.fullmatch(key) and source:
            self.add_fault(
                at,
                "would be a secret in clear, which a config file must not hold.",
                f"Delete it and name where it is kept: {example(source)} or {example(source.replace('env', 'file'))}.",
                is_shown=False,
            )
            return
        suggestion = near(key, known)
        hint = f"Did you mean {suggestion}?" if suggestion else f"Delete it, or write one of: {', '.join(known)}."
        self.add_fault(at, "is no key of this table.", hint, is_shown=not _SECRET.search(key))


def value_at(raw: Any, loc: Loc) -> Any:
    """Return what stands at a place, or a marker that nothing does."""
    for part in loc:
        if isinstance(raw, Mapping) and part in raw:
            raw = raw[part]
        elif isinstance(raw, list) and isinstance(part, int) and part < len(raw):
            raw = raw[part]
        else:
            return _MISSING
    return raw


def _lists_called(raw: Any, names: set[str], loc: Loc = ()) -> list[Loc]:
    """Return where lists of these names stand."""
    if isinstance(raw, Mapping):
        pairs = [(key, value) for key, value in raw.items() if not (key in names and isinstance(value, list))]
        own = [(*loc, key) for key, value in raw.items() if key in names and isinstance(value, list)]
        return own + [found for key, value in pairs for found in _lists_called(value, names, (*loc, key))]
    if isinstance(raw, list):
        return [found for n, value in enumerate(raw) for found in _lists_called(value, names, (*loc, n))]
    return []


def _meant_by(model: type[BaseModel], inner: Loc) -> Loc:
    """Return the place of the key that a mistyped one was likely meant for; its own where none is like it."""
    suggestion = near(str(inner[-1]), _fields_at(model, inner[:-1]))
    return inner if suggestion is None else (*inner[:-1], suggestion)


def _fields_at(model: type[BaseModel], inner: Loc) -> tuple[str, ...]:
    """Return the keys of the table that lies at `inner` below a model."""
    for part in inner:
        if isinstance(part, str) and part in model.model_fields:
            found = _model_in(model.model_fields[part].annotation)
            if found is None:
                return ()
            model = found
    return tuple(model.model_fields)


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((m for m in map(_model_in, typing.get_args(annotation)) if m is not None), None)
