"""What the answers of `gonogo new` may be: a parser returns the value as the files hold it, or says what is wrong."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Collection
from datetime import time
from typing import Any

from pydantic import TypeAdapter, ValidationError

from gonogo import units
from gonogo.cli.new_questions import WrongAnswerError
from gonogo.config import numbers
from gonogo.config.tables import DAYS
from gonogo.config.values import Address, Name, ZoneName, choose_from
from gonogo.errors import SoilError
from gonogo.records import ranges
from gonogo.soil.classes import SOIL_CLASSES
from gonogo.soil.groups import group_row

LIMITS = "limits"  # the answer that asks for sieves and Atterberg limits
NOT_PLASTIC = ("np", "non-plastic", "nonplastic")
_COORDINATE = re.compile(r"([+-]?[0-9]+(?:[.,][0-9]+)?)\s*°?\s*([NSEWO]?)", re.IGNORECASE)
_WITH_UNIT = re.compile(r"([+-]?[0-9.,' ]*[0-9])\s*([a-z/³3]*)", re.IGNORECASE)
_SHIFT = re.compile(r"([0-9]{1,2}:[0-9]{2})\s*(?:-|–|to|a)\s*([0-9]{1,2}:[0-9]{2})")
_ID = re.compile(r"[A-Za-z][A-Za-z0-9_-]{0,23}")
_NUMBERS = re.compile(r"[+-]?[0-9]+(?:\.[0-9]+)?")
# What one of a unit is in SI, by the quantity that it measures.
UNITS: dict[str, dict[str, float]] = {
    "m": {"m": 1.0, "ft": units.METRE_PER_FOOT, "yd": units.METRE_PER_YARD, "km": 1000.0},
    "thickness_m": {"mm": 0.001, "cm": 0.01, "m": 1.0, "in": units.METRE_PER_INCH},
    "kg_m3": {"kg/m3": 1.0, "kg/m³": 1.0, "t/m3": 1000.0, "lb/ft3": units.KG_M3_PER_LB_FT3,
              "pcf": units.KG_M3_PER_LB_FT3},
    "litres": {"l": 1.0, "m3": 1000.0, "gal": units.LITRE_PER_GALLON},
}  # fmt: skip
# The unit of an answer that names none, for a person who works in metric and in US units.
USUAL = {"m": ("m", "ft"), "thickness_m": ("mm", "in"), "kg_m3": ("kg/m3", "lb/ft3"), "litres": ("L", "gal")}
DIGITS = 5
LONGEST_ID = 20  # of one that is made here: four characters are left for a number


def usual_unit(quantity: str, system: str) -> str:
    """Return the unit in which a person of a system answers."""
    return USUAL[quantity][system == "us"]


def quantity(kind: str, key: str, system: str) -> Callable[[str], float]:
    """Return a parser of an amount of a kind of UNITS, in the person's own unit where none is named; SI in range."""

    def parse(text: str) -> float:
        found = _WITH_UNIT.fullmatch(text.strip())
        known = ", ".join(UNITS[kind])
        if found is None:
            raise WrongAnswerError("is no number.", f"Write a number, with its unit where that differs: {known}.")
        unit = found[2].lower() or usual_unit(kind, system).lower()
        if unit not in UNITS[kind]:
            raise WrongAnswerError(f"has a unit not known here: {found[2]}.", f"Write one of: {known}.")
        refused = numbers.refusal(key if UNITS[kind][unit] == 1.0 else "", found[1], "Write a plain number.")
        if refused is not None:
            raise WrongAnswerError(*refused)
        value = float(f"{float(found[1]) * UNITS[kind][unit]:.{DIGITS}g}")
        return _in_range(key, value)

    return parse


def number(key: str) -> Callable[[str], float]:
    """Return a parser of a number in the range of a key."""

    def parse(text: str) -> float:
        refused = numbers.refusal(key, text, f"Write, for example, {ranges.RANGES[key].example}.")
        if refused is not None:
            raise WrongAnswerError(*refused)
        return _in_range(key, float(text))

    return parse


def _in_range(key: str, value: float) -> float:
    if (refused := ranges.refusal(key, value)) is not None:
        raise WrongAnswerError(*refused)
    return value


def _adapted(kind: Any) -> Callable[[str], str]:
    adapter: TypeAdapter[str] = TypeAdapter(kind)

    def parse(text: str) -> str:
        try:
            return adapter.validate_python(text.strip())
        except ValidationError as error:
            context = error.errors(include_url=False)[0].get("ctx", {})
            raise WrongAnswerError(str(context.get("wrong")), str(context.get("right"))) from error

    return parse


name = _adapted(Name)
address = _adapted(Address)
zone = _adapted(ZoneName)


def one_of(known: Collection[str]) -> Callable[[str], str]:
    """Return a parser of one of some words, in any case."""
    by_fold = {word.casefold(): word for word in known}

    def parse(text: str) -> str:
        if (word := by_fold.get(text.strip().casefold())) is None:
            raise WrongAnswerError("is not among the words known here.", choose_from(text, list(known)))
        return word

    return parse


def yes(text: str) -> bool:
    """Return whether an answer is yes."""
    return one_of(("yes", "no", "y", "n"))(text) in ("yes", "y")


def place(text: str) -> tuple[float, float]:
    """Return latitude and longitude [degrees], north and east positive."""
    found = _COORDINATE.findall(text.replace("−", "-"))
    if len(found) != 2:
        raise WrongAnswerError(
            "is no place.", 'Write latitude and longitude in degrees: "42.137 -94.368" or "42.137 N 94.368 W".'
        )
    degrees = []
    for (digits, letter), allowed in zip(found, ("NS", "EWO"), strict=True):
        side = letter.upper()
        if side and (side not in allowed or digits[0] in "+-"):
            raise WrongAnswerError("mixes sides.", "Write latitude first, and either a sign or a letter.")
        value = float(digits.replace(",", "."))
        degrees.append(-value if side in ("S", "W", "O") else value)
    return _in_range("latitude_deg", degrees[0]), _in_range("longitude_deg", degrees[1])


def shift(text: str) -> tuple[time, time]:
    """Return start and end of the shift."""
    found = _SHIFT.fullmatch(text.strip())
    try:
        start, end = (time.fromisoformat(f"{part:0>5}") for part in found.groups()) if found else (time(0), time(0))
    except ValueError:
        start = end = time(0)
    if start == end:
        raise WrongAnswerError("is no shift.", 'Write its start and end, for example "07:00-17:30".')
    return start, end


def days(text: str) -> tuple[str, ...]:
    """Return working days from "mon-fri" or "mon tue thu"."""
    found: list[str] = []
    for part in re.split(r"[\s,]+", text.strip().lower()):
        first, _, last = part.partition("-")
        if first not in DAYS or (last and last not in DAYS):
            raise WrongAnswerError("names no days.", f'Write "mon-fri", or days out of {", ".join(DAYS)}.')
        at, end = DAYS.index(first), DAYS.index(last or first)
        found += [DAYS[(at + n) % 7] for n in range((end - at) % 7 + 1)]
    return tuple(day for day in DAYS if day in found)


def soil(text: str) -> dict[str, str]:
    """Return the key and value that say which soil it is; empty for an answer that asks for sieves and limits."""
    word = text.strip()
    if word.casefold() == LIMITS:
        return {}
    as_class = word.casefold().replace(" ", "_")
    if as_class in SOIL_CLASSES:
        return {"soil_class": as_class}
    try:
        group_row(word)
    except SoilError as error:
        right = f"Write {', '.join(SOIL_CLASSES)}; a symbol such as CL or A-6; or {LIMITS}."
        raise WrongAnswerError(f"has no soil class: {error}", right) from error
    return {"aashto" if word.upper().startswith("A-") else "uscs": word}


def listed(keys: tuple[str, ...], *, needed: Collection[str]) -> Callable[[str], dict[str, float]]:
    """Return a parser of numbers in the order of keys; "-" leaves one out that is not needed."""

    def parse(text: str) -> dict[str, float]:
        parts = text.replace(";", " ").split()
        if len(parts) != len(keys):
            raise WrongAnswerError(f"holds {len(parts)} values.", f"Write {len(keys)}, parted by spaces.")
        left_out = [key for key, part in zip(keys, parts, strict=True) if part == "-"]
        if any(key in needed for key in left_out):
            raise WrongAnswerError("leaves out what decides.", f"Write a number for {', '.join(needed)}.")
        return {key: number(key)(part) for key, part in zip(keys, parts, strict=True) if part != "-"}

    return parse


def limits(text: str) -> dict[str, Any]:
    """Return liquid and plastic limit [% of dry mass], or that the soil has none."""
    if text.strip().casefold() in NOT_PLASTIC:
        return {"is_plastic": False}
    found = listed(("liquid_limit_pct", "plastic_limit_pct"), needed=("liquid_limit_pct", "plastic_limit_pct"))(text)
    if found["plastic_limit_pct"] > found["liquid_limit_pct"]:
        raise WrongAnswerError("has the plastic limit above the liquid limit.", "Write the liquid limit first, or NP.")
    return dict(found)


def compaction(system: str) -> Callable[[str], dict[str, Any]]:
    """Return a parser of a laboratory's result: optimum and maximum, or the points of its curve in pairs."""
    factor = UNITS["kg_m3"][usual_unit("kg_m3", system)]

    def parse(text: str) -> dict[str, Any]:
        values = [float(part) for part in _NUMBERS.findall(text)]
        if len(values) % 2 or len(values) not in (2, *range(6, 41, 2)):
            raise WrongAnswerError(
                f"holds {len(values)} numbers.",
                "Write optimum and maximum, or three or more pairs of water content and dry density.",
            )
        w_pct = values[::2]
        density = [float(f"{value * factor:.{DIGITS}g}") for value in values[1::2]]
        is_curve = len(values) > 2
        key_w, key_density = ("curve_w_pct", "curve_dry_density_kg_m3") if is_curve else ("omc_pct", "mdd_kg_m3")
        for w, dry in zip(w_pct, density, strict=True):
            _in_range(key_w, w)
            _in_range(key_density, dry)
        return {key_w: w_pct, key_density: density} if is_curve else {key_w: w_pct[0], key_density: density[0]}

    return parse


def window(text: str) -> dict[str, list[float]]:
    """Return the window in points around optimum, or as a ratio of it where both numbers stand around 1."""
    values = [float(part) for part in _NUMBERS.findall(text.replace("−", "-"))]
    if len(values) != 2 or not values[0] < values[1]:
        raise WrongAnswerError(
            "is no window.", 'Write "-2 2" for points around optimum, or "0.9 1.1" for a ratio of it.'
        )
    if 0.5 <= values[0] <= 1.0 <= values[1] <= 1.5:
        return {"window_ratio": values}
    if not (-10.0 <= values[0] and values[1] <= 10.0):
        raise WrongAnswerError("reaches beyond 10 points.", 'Write points around optimum, for example "-2 2".')
    return {"window_points": values}


def passes_or_nothing(text: str) -> dict[str, int]:
    """Return the key and value of passes; empty for an empty answer, and then they are assumed."""
    if not text.strip():
        return {}
    value = number("passes")(text.strip())
    if not value.is_integer():
        raise WrongAnswerError("is not a whole number.", "Write, for example, 6.")
    return {"passes": int(value)}


def person(text: str) -> tuple[str, str] | None:
    """Return name and address of a person from "Robin Ashby, robin@example.com"; None for nobody."""
    if not text.strip():
        return None
    called, _, at = text.rpartition(",")
    if not called.strip():
        raise WrongAnswerError("is no name with an address.", 'Write "Robin Ashby, robin@example.com".')
    return name(called), address(at)


def strip_size(system: str) -> Callable[[str], tuple[str, str, str]]:
    """Return a parser of length, width and lift thickness, to the cells of a list in the person's own units.

    In metric the thickness is typed in mm and stands in metres in the list.
    """
    is_us = system == "us"
    kinds = (("m", "length_m"), ("m", "width_m"), ("thickness_m", "lift_thickness_m"))

    def parse(text: str) -> tuple[str, str, str]:
        parts = text.replace("x", " ").replace(";", " ").split()
        if len(parts) != len(kinds):
            raise WrongAnswerError(f"holds {len(parts)} values.", "Write length, width and thickness: 120 12 250.")
        in_si = [quantity(kind, key, system)(part) for (kind, key), part in zip(kinds, parts, strict=True)]
        cells = parts if is_us else [f"{value:g}" for value in in_si]
        return cells[0], cells[1], cells[2]

    return parse


def id_of(called: str, taken: Collection[str]) -> str:
    """Return an id for a name, none of those taken: the name itself where it may be one."""
    folded = {word.casefold() for word in taken}
    if _ID.fullmatch(called) and called.casefold() not in folded:
        return called
    plain = unicodedata.normalize("NFKD", called).encode("ascii", "ignore").decode().lower()
    base = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")
    base = base if len(base) <= LONGEST_ID else base[: LONGEST_ID + 1].rpartition("-")[0] or base[:LONGEST_ID]
    base = base if base[:1].isalpha() else f"n{base}"
    return next(found for found in (base, *(f"{base}-{n}" for n in range(2, 1000))) if found.casefold() not in folded)
