"""Records as text and back, for columns that keep a whole record: every number returns as the number it was."""

from __future__ import annotations

from collections.abc import Hashable
from functools import cache
from typing import Any, TypeVar, cast

from pydantic import TypeAdapter, ValidationError
from pydantic_core import PydanticSerializationError, to_json

from gonogo.errors import StoreError

T = TypeVar("T")


def encoded(record: Any) -> str:
    """Return a record as JSON. Unknown and infinite numbers are kept as the words NaN, Infinity, -Infinity.

    Raises StoreError for what JSON has no form for, such as an array.
    """
    try:
        return to_json(record, inf_nan_mode="strings").decode()
    except PydanticSerializationError as error:
        raise StoreError(f"A {type(record).__name__} cannot be stored: {error}. Nothing was stored.") from error


def decoded(text: str, kind: type[T]) -> T:
    """Return the record that `encoded` made. Raises StoreError where the text is no such record."""
    try:
        record: T = _adapter(cast(Hashable, kind)).validate_json(text)
    except ValidationError as error:
        fault = error.errors(include_url=False, include_input=False)[0]
        place = ".".join(str(part) for part in fault["loc"])
        raise StoreError(f"A stored {kind.__name__} cannot be read: {place}: {fault['msg']}.") from error
    return record


@cache
def _adapter(kind: Hashable) -> TypeAdapter[Any]:
    """Building one takes far longer than using it."""
    return TypeAdapter(cast(Any, kind))
