"""A cell of a list to the value that its key holds in TOML, by the table's own types; or in words what is wrong."""

from __future__ import annotations

import types
import typing
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from pydantic import BaseModel

from gonogo import units
from gonogo.config import numbers
from gonogo.config.examples import example

TRUTH = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}
DATES = "or name the column with its order, such as `{column} (dd/mm/yyyy)`."
# A column of another unit is named by it: (ending in SI, ending of the column, SI for one of it).
OTHER_UNITS: tuple[tuple[str, str, float], ...] = (
    ("_m", "_ft", units.METRE_PER_FOOT),
    ("_m", "_in", units.METRE_PER_INCH),
    ("_m", "_yd", units.METRE_PER_YARD),
    ("_mm", "_in", units.MM_PER_INCH),
    ("_kg_m3", "_lb_ft3", units.KG_M3_PER_LB_FT3),
    ("_litres", "_gal", units.LITRE_PER_GALLON),
    ("_litres_min", "_gal_min", units.LITRE_PER_GALLON),
    ("_km_h", "_mph", units.KM_PER_MILE),
)
DIGITS = 5  # that a converted value keeps


@dataclass(frozen=True, slots=True, kw_only=True)
class ListColumn:
    """A column of a list: the key that it fills, of which type, and what one of its unit is in SI."""

    header: str
    path: tuple[str, ...]
    type: Any
    per_unit: float = 1.0


def columns_of(model: type[BaseModel], prefix: tuple[str, ...] = ()) -> dict[str, ListColumn]:
    """Return every column that a table may have: its keys, those of a table inside it with a dot, and other units."""
    found: dict[str, ListColumn] = {}
    for name, field in model.model_fields.items():
        kind = _bare(field.annotation)
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            found |= columns_of(kind, (*prefix, name))
            continue
        if typing.get_origin(kind) is list and _is_table(_bare(typing.get_args(kind)[0])):
            continue
        path = (*prefix, name)
        found[".".join(path)] = ListColumn(header=".".join(path), path=path, type=kind)
    for column in list(found.values()):
        for in_si, ending, per_unit in OTHER_UNITS:
            if column.header.endswith(in_si) and not _is_longer(column.header, in_si):
                header = column.header.removesuffix(in_si) + ending
                found.setdefault(
                    header, ListColumn(header=header, path=column.path, type=column.type, per_unit=per_unit)
                )
    return found


def value_of(column: ListColumn, text: str) -> Any | tuple[str, str]:
    """Return what a cell says, or (wrong, right). A list of numbers is parted by spaces."""
    kind = column.type
    if typing.get_origin(kind) is list:
        inner = _bare(typing.get_args(kind)[0])
        values = [_single(column, inner, part) for part in text.split()]
        return next((value for value in values if isinstance(value, tuple)), values)
    return _single(column, kind, text)


def _single(column: ListColumn, kind: Any, text: str) -> Any | tuple[str, str]:
    key = column.path[-1]
    if kind in (float, int):
        return _number(column, kind, text)
    if kind is bool:
        return TRUTH.get(text.casefold(), ("is neither yes nor no.", "Write yes or no."))
    readers: Mapping[Any, Callable[[str], date]] = {datetime: datetime.fromisoformat, date: date.fromisoformat}
    if kind in readers:
        try:
            return readers[kind](text)
        except ValueError:
            what = "a date" if kind is date else "a date and time"
            return f"is not {what}.", f"Write, for example, {example(key)}; {DATES.format(column=column.header)}"
    return text


def _number(column: ListColumn, kind: Any, text: str) -> float | int | tuple[str, str]:
    key = column.path[-1] if column.per_unit == 1.0 else column.header
    refused = numbers.refusal(key, text, f"Write, for example, {example(column.path[-1])}.")
    if refused is not None:
        return refused
    value = float(text)
    if kind is int:
        return int(value) if value.is_integer() else ("is not a whole number.", "Write it without decimals.")
    return value if column.per_unit == 1.0 else float(f"{value * column.per_unit:.{DIGITS}g}")


def _bare(annotation: Any) -> Any:
    """Return a type without Annotated and without None."""
    while typing.get_origin(annotation) is typing.Annotated:
        annotation = typing.get_args(annotation)[0]
    if typing.get_origin(annotation) in (typing.Union, types.UnionType):
        return _bare(next(part for part in typing.get_args(annotation) if part is not types.NoneType))
    return annotation


def _is_table(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def _is_longer(header: str, ending: str) -> bool:
    """Return whether a longer ending than this one names the unit of a column: _litres_min ends in no metre."""
    return any(header.endswith(other) and len(other) > len(ending) for other, _, _ in OTHER_UNITS)
