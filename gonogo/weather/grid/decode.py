"""What a GRIB2 message says of itself, and its values: ecCodes does the unpacking.

ecCodes comes with `pip install 'gonogo[grid]'`. It is imported here alone, and when the first message is read.
"""

from __future__ import annotations

import importlib
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np

from gonogo.errors import WeatherError
from gonogo.weather.grid.messages import hash_of, require_whole
from gonogo.weather.grid.places import Grid
from gonogo.weather.grid.quantities import BY_SHORT_NAME, Kind
from gonogo.weather.grid.sources import CONTROL
from gonogo.weather.table import Floats

KINDS = {"instant": Kind.INSTANT, "accum": Kind.TOTAL, "avg": Kind.MEAN}
MISSING = 1e30  # what a point without a value is read as; ecCodes' own 9999 may be a value
HOURS = 1  # how ecCodes is told to count steps in hours (code table 4.4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """What a message of a quantity that is needed says of itself. from_h = to_h for a moment."""

    quantity: str
    unit: str
    kind: Kind
    member: int
    centre: str
    run_utc: datetime
    from_h: int
    to_h: int
    grid: Grid
    sha: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """A message read: its head and its values, flat, NaN where it has none."""

    head: Head
    values: Floats


def is_installed() -> bool:
    """Return whether messages can be unpacked here."""
    try:
        _eccodes("")
    except WeatherError:
        return False
    return True


def field(message: bytes, place: str, *, with_values: bool = True) -> Field | None:
    """Return a message's field, None where it is of a quantity that is not needed.

    with_values   False: the head alone; values is then empty

    Raises WeatherError, passing where the message is not whole or cannot be unpacked.
    """
    require_whole(message, place)
    codes = _eccodes(place)
    try:
        handle = codes.codes_new_from_message(message)
        try:
            head = _head(codes, handle, hash_of(message), place)
            if head is None:
                return None
            return Field(head=head, values=_values(codes, handle, head, place) if with_values else np.zeros(0))
        finally:
            codes.codes_release(handle)
    except codes.CodesInternalError as error:
        raise WeatherError(
            f"{place}: the message cannot be unpacked ({error}). It is not used.", passing=True
        ) from error


def _eccodes(place: str) -> Any:
    try:
        return importlib.import_module("eccodes")
    except (ImportError, RuntimeError) as error:  # RuntimeError: the binding without its library
        raise WeatherError(
            f"{place or 'grid'}: GRIB cannot be unpacked: ecCodes is not installed. "
            "Install it with pip install 'gonogo[grid]'.",
            passing=False,
        ) from error


def _head(codes: Any, handle: Any, sha: str, place: str) -> Head | None:
    """Return what a message says of itself."""

    def said(key: str, kind: type) -> Any:
        return codes.codes_get(handle, key, ktype=kind)

    quantity = BY_SHORT_NAME.get(said("shortName", str))
    if quantity is None or said("typeOfLevel", str) not in ("surface", "heightAboveGround", "meanSea"):
        return None
    codes.codes_set(handle, "stepUnits", HOURS)
    kind = KINDS.get(said("stepType", str))
    if kind is None or (kind is not Kind.INSTANT) != quantity.of_period:
        # A first step may tell a period as a moment: the total of nothing.
        if kind is Kind.INSTANT and said("endStep", int) == 0:
            return None
        raise WeatherError(
            f"{place}: {quantity.name} is given as {said('stepType', str)!r}: this is not known. "
            f"{'A total or a mean' if quantity.of_period else 'A moment'} is right.",
            passing=False,
        )
    unit = said("units", str)
    if unit not in quantity.units:
        raise WeatherError(
            f"{place}: unit of {quantity.name} = {unit!r}: this unit is not known. One of "
            f"{', '.join(quantity.units)} is right. The run is not used.",
            passing=False,
        )
    day, time = said("dataDate", int), said("dataTime", int)
    try:
        run_utc = datetime.strptime(f"{day:08d}{time:04d}", "%Y%m%d%H%M").replace(tzinfo=UTC)
    except ValueError as error:
        raise WeatherError(f"{place}: run = {day} {time}: this is no time.", passing=True) from error
    return Head(
        quantity=quantity.name,
        unit=unit,
        kind=kind,
        member=said("number", int) if codes.codes_is_defined(handle, "number") else CONTROL,
        centre=said("centre", str),
        run_utc=run_utc,
        from_h=said("startStep", int),
        to_h=said("endStep", int),
        grid=_grid(codes, handle, place),
        sha=sha,
    )


def _grid(codes: Any, handle: Any, place: str) -> Grid:
    """Return the grid of a message. Raises WeatherError where it is no regular one."""
    kind = codes.codes_get(handle, "gridType", ktype=str)
    order = [
        codes.codes_get(handle, key, ktype=int)
        for key in ("iScansNegatively", "jPointsAreConsecutive", "alternativeRowScanning")  # flag table 3.4
    ]
    if kind != "regular_ll" or any(order):
        raise WeatherError(
            f"{place}: grid = {kind}: only a regular grid of latitude and longitude, row by row from west to east, is "
            "read. The run is not used.",
            passing=False,
        )
    n_lat, n_lon = (codes.codes_get(handle, key, ktype=int) for key in ("Nj", "Ni"))
    first_lat, first_lon, last_lat, last_lon = (
        codes.codes_get(handle, f"{key}InDegrees", ktype=float)
        for key in (
            "latitudeOfFirstGridPoint",
            "longitudeOfFirstGridPoint",
            "latitudeOfLastGridPoint",
            "longitudeOfLastGridPoint",
        )
    )
    if n_lat < 2 or n_lon < 2 or first_lat == last_lat:
        raise WeatherError(f"{place}: grid = {n_lat} x {n_lon}: two points each way are needed.", passing=False)
    return Grid(
        n_lat=n_lat,
        n_lon=n_lon,
        first_lat_deg=first_lat,
        first_lon_deg=first_lon,
        step_lat_deg=(last_lat - first_lat) / (n_lat - 1),
        step_lon_deg=((last_lon - first_lon) % 360.0) / (n_lon - 1),
    )


def _values(codes: Any, handle: Any, head: Head, place: str) -> Floats:
    """Return a message's values, flat."""
    codes.codes_set(handle, "missingValue", MISSING)
    values = np.asarray(codes.codes_get_values(handle), dtype=np.float64)
    if len(values) != head.grid.n_lat * head.grid.n_lon:
        raise WeatherError(
            f"{place}: {len(values)} values on a grid of {head.grid.n_lat} x {head.grid.n_lon}. It is not used.",
            passing=True,
        )
    values[values == MISSING] = np.nan  # by a bitmap or, in complex packing, by the groups themselves
    return values
