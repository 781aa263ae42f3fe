"""Where the wanted messages of a file lie, from the index that the service publishes beside it."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from datetime import datetime

from gonogo.errors import WeatherError
from gonogo.weather.grid.quantities import ESSENTIAL, QUANTITIES, Quantity
from gonogo.weather.grid.sources import CONTROL, FilePart, IndexKind

MOST_MESSAGE_BYTES = 20_000_000  # a global field at a quarter of a degree has about 1 MB; common sense
MOST_LINES = 50_000  # an ensemble's index has some 9,000; a great one would fill the memory once it is cut into cells
_PERIOD = re.compile(r"(\d+)-(\d+) (hour|day) (?:acc|ave)")
_OF_PERIOD = re.compile(r"\d+-\d+ ")
_MEMBER = re.compile(r"ENS=\+(\d+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageWanted:
    """One message to be fetched. n_bytes: None where only the end of the file ends it."""

    quantity: str
    member: int
    offset: int
    n_bytes: int | None


@dataclass(frozen=True, slots=True)
class _Line:
    """One line of an index. length_h: of the period that it stands for, 0 for a moment."""

    wanted: MessageWanted
    length_h: int


def wanted_messages(
    text: str, kind: IndexKind, part: FilePart, run_utc: datetime, place: str
) -> tuple[MessageWanted, ...]:
    """Return where the wanted messages of a file lie, in the order in which they lie.

    Of a period that is given more than once the shortest is taken.

    Raises WeatherError: passing where the index is no index or lacks a message (it may still be written), not passing
    where it is another run's.
    """
    if (n_lines := text.count("\n")) > MOST_LINES:
        raise WeatherError(f"{place}: {n_lines:,} lines: no index has so many. It is not used.", passing=False)
    lines = (_json_lines if kind is IndexKind.JSON_LINES else _inventory_lines)(text, part, run_utc, place)
    chosen: dict[tuple[str, int], _Line] = {}
    for line in lines:
        key = (line.wanted.quantity, line.wanted.member)
        if key not in chosen or line.length_h < chosen[key].length_h:
            chosen[key] = line
    for member in part.members:
        for name in part.quantities:
            if name in ESSENTIAL and (name, member) not in chosen:
                of_member = f" of member {member}" if member != CONTROL else ""
                raise WeatherError(
                    f"{place}: {_their_name(QUANTITIES[name], kind)}{of_member} is missing. A whole run is right.",
                    passing=True,
                )
    return tuple(sorted((line.wanted for line in chosen.values()), key=lambda wanted: wanted.offset))


def _their_name(quantity: Quantity, kind: IndexKind) -> str:
    named = quantity.in_json if kind is IndexKind.JSON_LINES else ":".join(quantity.in_inventory or ())
    return named or quantity.name


def _json_lines(text: str, part: FilePart, run_utc: datetime, place: str) -> list[_Line]:
    names = {QUANTITIES[name].in_json: name for name in part.quantities}
    found = []
    for number, raw in enumerate(filter(None, map(str.strip, text.splitlines())), start=1):
        try:
            line = json.loads(raw)
            param, level = line["param"], line["levtype"]
            day, hour, step = line["date"], line["time"], line["step"]
            offset, n_bytes, member = int(line["_offset"]), int(line["_length"]), int(line.get("number", CONTROL))
        except (ValueError, TypeError, KeyError, RecursionError) as error:
            raise _no_index(place, number, raw, "an object with param, levtype, date, step, _offset") from error
        if level != "sfc" or param not in names:
            continue
        _require_run(f"{day}{str(hour).zfill(4)[:2]}", run_utc, place)
        if str(step) != str(part.step_h) or member not in part.members:
            continue
        _require_span(offset, n_bytes, place, number)
        wanted = MessageWanted(quantity=names[param], member=member, offset=offset, n_bytes=n_bytes)
        found.append(_Line(wanted, 0))
    return found


def _inventory_lines(text: str, part: FilePart, run_utc: datetime, place: str) -> list[_Line]:
    names = {QUANTITIES[name].in_inventory: name for name in part.quantities if QUANTITIES[name].in_inventory}
    rows: list[tuple[int, list[str]]] = []
    for number, raw in enumerate(filter(None, map(str.strip, text.splitlines())), start=1):
        cells = raw.split(":")
        if len(cells) < 6 or not cells[1].isdigit() or not cells[2].startswith("d="):
            raise _no_index(place, number, raw, "number:offset:d=date:name:level:time")
        rows.append((int(cells[1]), cells))
    found = []
    for number, (offset, cells) in enumerate(rows, start=1):
        name = names.get((cells[3], cells[4]))
        if name is None:
            continue
        _require_run(cells[2].removeprefix("d="), run_utc, place)
        length_h = _period_h(cells[5], part.step_h) if QUANTITIES[name].of_period else _moment_h(cells[5])
        named_member = _MEMBER.search(":".join(cells[6:]))
        member = int(named_member[1]) if named_member else CONTROL
        if length_h is None or member not in part.members:
            continue
        after = next((later for later, _ in rows[number:] if later > offset), None)
        n_bytes = None if after is None else after - offset
        if n_bytes is not None:
            _require_span(offset, n_bytes, place, number)
        found.append(_Line(MessageWanted(quantity=name, member=member, offset=offset, n_bytes=n_bytes), length_h))
    return found


def _period_h(text: str, step_h: int) -> int | None:
    """Return the length of a period that ends with the step [h], None for any other."""
    found = _PERIOD.match(text)
    if found is None:
        return None
    begin_h, end_h = (int(bound) * (24 if found[3] == "day" else 1) for bound in found.group(1, 2))
    return end_h - begin_h if end_h == step_h and begin_h < end_h else None


def _moment_h(text: str) -> int | None:
    """Return 0 for a moment, None for the mean, greatest or least of a period of the same quantity."""
    return None if _OF_PERIOD.match(text) else 0


def _require_run(stated: str, run_utc: datetime, place: str) -> None:
    if stated != f"{run_utc:%Y%m%d%H}":
        raise WeatherError(
            f"{place}: run = {stated[:20]}: this index is of another run. {run_utc:%Y%m%d%H} is right. "
            "Nothing of it is used.",
            passing=False,
        )


def _require_span(offset: int, n_bytes: int, place: str, number: int) -> None:
    if offset < 0 or not 0 < n_bytes <= MOST_MESSAGE_BYTES:
        raise WeatherError(
            f"{place}, line {number}: bytes = {offset} and {n_bytes} more: no message lies there. "
            f"Up to {MOST_MESSAGE_BYTES} bytes are right.",
            passing=True,
        )


def _no_index(place: str, number: int, raw: str, right: str) -> WeatherError:
    return WeatherError(
        f"{place}, line {number} = {raw[:60]!r}: this is no line of an index. {right} is right.", passing=True
    )
