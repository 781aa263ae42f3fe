"""The working day as a bar of hours: pieces from the day plan, laid out in columns for a table or a line of text."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from gonogo.records.day_plan import Badge, DayPlan, Job, RainSpell, Sealing, Task
from gonogo.records.site import Strip
from gonogo.wording import phrases
from gonogo.wording.clock import Clock
from gonogo.wording.instruction import short_name
from gonogo.wording.items import BarPiece, HourBar
from gonogo.wording.language import Speaker
from gonogo.wording.phrases import Amount, Phrase, phrase

COLUMN_MIN = 15.0  # a column of the bar, 30 in a shift longer than LONG_H
LONG_H = 13.0
BAR_PX, LETTER_PX, MARGIN_PX = 296.0, 9.0, 6.0  # of the bar on a phone 390 px wide: its columns and its labels
NAMES_AT_MOST = 3  # in one piece; more are counted
KEEPS_HOURS = ("seal", "rain")  # never drawn longer than they are: their label stands before them where it must


@dataclass(frozen=True, slots=True, kw_only=True)
class BarCell:
    """A run of columns. kind: as in BarPiece, "free" for none."""

    kind: str
    columns: int
    text: str


def hour_bar(plan: DayPlan, own: Mapping[str, Strip], crew_ids: Collection[str], clock: Clock) -> HourBar | None:
    """Return the bar of a day of some crews; None where nothing is done and no rain comes in it.

    own   the strips of these crews, by id
    """
    start, end = plan.shift_start_utc, plan.shift_end_utc
    badges = {strip.strip_id: strip.badge for strip in plan.strips if strip.strip_id in own}
    to_do = [j for j in plan.jobs if j.strip_id in own and j.end_utc > plan.made_utc]
    rolled = [j for j in to_do if j.task == Task.ROLL]
    watered = [j for j in to_do if j.task in (Task.WATER, Task.DAMP)]
    sealed = [s for s in plan.sealings if s.crew_id in crew_ids]
    rain = [
        BarPiece(
            kind="rain",
            from_min=_minutes(max(spell.from_utc, start) - start),
            until_min=_minutes(min(spell.until_utc, end) - start),
            label=rain_coming(spell),
        )
        for spell in plan.rain
        if spell.from_utc < end and spell.until_utc > start
    ]
    rolling = list(dict.fromkeys(j.machine_id for j in rolled))  # one that only seals gets no row of its own
    roller = [
        *(
            (j.machine_id, _piece(j, "maybe" if badges[j.strip_id] == Badge.TEST else "roll", own, start))
            for j in rolled
        ),
        *((s.roller_id if s.roller_id in rolling or not rolling else rolling[0], _seal(s, start)) for s in sealed),
    ]
    truck = [(j.machine_id, _piece(j, "water", own, start)) for j in watered]
    if not (roller or truck or rain):
        return None
    rows = [*_by_machine("bar.roller", roller), *_by_machine("bar.truck", truck), (phrase("bar.rain"), rain)]
    return HourBar(
        minutes=_minutes(end - start),
        heads=tuple(_heads(clock, start, end)),
        rows=tuple((name, tuple(sorted(row, key=lambda p: p.from_min))) for name, row in rows if row),
        has_maybe=any(piece.kind == "maybe" for _, piece in roller),
    )


def rain_coming(spell: RainSpell) -> Phrase | Amount:
    """Return how much rain a spell brings; it is likely, so that too little to be measured is a trace, not nothing."""
    rain = phrases.amount("rain_mm", spell.rain_mm)
    return phrase("rain.trace") if rain.metric[0] == 0 else rain


def _by_machine(key: str, pieces: Sequence[tuple[str, BarPiece]]) -> list[tuple[Phrase, list[BarPiece]]]:
    """Return the pieces of one kind of machine as a row, or as a row for each where there are several, by their ids."""
    ids = list(dict.fromkeys(machine_id for machine_id, _ in pieces))
    if len(ids) < 2:
        return [(phrase(key), [piece for _, piece in pieces])]
    return [
        (phrase("bar.machine", machine=machine_id), [piece for own_id, piece in pieces if own_id == machine_id])
        for machine_id in ids
    ]


def _heads(clock: Clock, start: datetime, end: datetime) -> Sequence[tuple[float, phrases.Moment]]:
    """Return every second hour of the shift, by its minutes from the left edge."""
    step = 2 if end - start <= timedelta(hours=LONG_H) else 4
    first = start.replace(minute=0, second=0, microsecond=0)
    first += timedelta(hours=0 if first == start else 1)
    n = int((end - first) / timedelta(hours=1))
    moments = [first + timedelta(hours=k) for k in range(0, n + 1, step) if first + timedelta(hours=k) < end]
    return [(_minutes(at_utc - start), clock.at(at_utc)) for at_utc in moments]


def _piece(job: Job, kind: str, own: Mapping[str, Strip], start: datetime) -> BarPiece:
    return BarPiece(
        kind=kind,
        from_min=max(_minutes(job.start_utc - start), 0.0),
        until_min=_minutes(job.end_utc - start),
        label=short_name(own[job.strip_id]),
    )


def _seal(sealed: Sealing, start: datetime) -> BarPiece:
    return BarPiece(
        kind="seal",
        from_min=max(_minutes(sealed.start_utc - start), 0.0),
        until_min=_minutes(sealed.by_utc - start),
        label=phrase("bar.seal"),
    )


def _minutes(span: timedelta) -> float:
    return span / timedelta(minutes=1)


# --- columns -------------------------------------------------------------------------------------------------------


def columns(bar: HourBar) -> int:
    """Return how many columns a bar has."""
    return max(math.ceil(bar.minutes / _column_min(bar) - 1e-9), 1)


def laid_out(bar: HourBar, speak: Speaker, columns_of: float, extra: float) -> list[tuple[str, list[BarCell]]]:
    """Return the rows of a bar as cells that fill it.

    columns_of, extra   columns that a letter of a label and its margin need

    A piece too short for its label takes the columns it needs from what is free after it; pieces that still do not fit
    are drawn as one, with their names or how many they are. The exact hours stand beside each strip.
    """
    n = columns(bar)
    return [
        (speak.say(name), _filled(_fitting(_labelled(pieces, speak), n, bar, columns_of, extra), n))
        for name, pieces in bar.rows
    ]


def heads(bar: HourBar, speak: Speaker) -> list[BarCell]:
    """Return the hours above a bar as cells that fill it."""
    n, cells, at = columns(bar), [], 0
    starts = [round(minutes / _column_min(bar)) for minutes, _ in bar.heads]
    if not starts or starts[0] > 0:
        cells.append(BarCell(kind="free", columns=starts[0] if starts else n, text=""))
        at = starts[0] if starts else n
    for (_, moment), until in zip(bar.heads, [*starts[1:], n], strict=True):
        cells.append(BarCell(kind="head", columns=until - at, text=speak.hour(moment)))
        at = until
    return [cell for cell in cells if cell.columns > 0]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Labelled:
    kind: str
    from_min: float
    until_min: float
    labels: tuple[str, ...]

    @property
    def text(self) -> str:
        mark = "?" if self.kind == "maybe" else ""
        if len(self.labels) > NAMES_AT_MOST:
            return f"\u00d7{len(self.labels)}{mark}"
        return " ".join(f"{label}{mark}" for label in self.labels)


def _labelled(pieces: Sequence[BarPiece], speak: Speaker) -> list[_Labelled]:
    return [
        _Labelled(kind=p.kind, from_min=p.from_min, until_min=p.until_min, labels=(speak.say(p.label),)) for p in pieces
    ]


def _fitting(
    pieces: list[_Labelled], n: int, bar: HourBar, columns_of: float, extra: float
) -> list[tuple[int, int, _Labelled]]:
    """Place pieces from left to right; where they do not fit, the two that are nearest become one."""
    while True:
        placed, at = [], 0
        for piece in pieces:
            need = math.ceil(len(piece.text) * columns_of + extra)
            first = max(math.floor(piece.from_min / _column_min(bar) + 1e-9), at)
            last = max(math.ceil(piece.until_min / _column_min(bar) - 1e-9), first + 1)
            if last - first < need and piece.kind in KEEPS_HOURS and first - at >= need and last <= n:
                placed.append((first - need, first, replace(piece, kind="label")))
                placed.append((first, last, replace(piece, labels=())))
            else:
                last = max(last, first + need)
                placed.append((first, last, piece))
            at = last
        over = at - n
        if over <= 0:
            return placed
        if shifted := _shifted_left(placed, over):
            return shifted
        if len(pieces) < 2:
            return [(max(first - over, 0), min(last, n), piece) for first, last, piece in placed]
        pieces = _joined(pieces)


def _shifted_left(placed: list[tuple[int, int, _Labelled]], over: int) -> list[tuple[int, int, _Labelled]]:
    """Return the pieces with the last ones moved left into what is free before them, [] where that is too little."""
    found: list[tuple[int, int, _Labelled]] = []
    for first, last, piece in reversed(placed):
        limit = found[-1][0] if found else placed[-1][1] - over
        shift = max(last - limit, 0)
        if first - shift < 0:
            return []
        found.append((first - shift, last - shift, piece))
    return found[::-1]


def _joined(pieces: list[_Labelled]) -> list[_Labelled]:
    """Return the pieces with the two of one kind that stand nearest made one; the last two where no kinds agree."""
    pairs = [k for k in range(len(pieces) - 1) if pieces[k].kind == pieces[k + 1].kind] or [len(pieces) - 2]
    k = min(pairs, key=lambda k: pieces[k + 1].until_min - pieces[k].from_min)
    both = replace(pieces[k], until_min=pieces[k + 1].until_min, labels=(*pieces[k].labels, *pieces[k + 1].labels))
    return [*pieces[:k], both, *pieces[k + 2 :]]


def _filled(placed: Sequence[tuple[int, int, _Labelled]], n: int) -> list[BarCell]:
    cells, at = [], 0
    for first, last, piece in placed:
        if first > at:
            cells.append(BarCell(kind="free", columns=first - at, text=""))
        if last > max(first, at):
            cells.append(BarCell(kind=piece.kind, columns=last - max(first, at), text=piece.text))
        at = max(last, at)
    if at < n:
        cells.append(BarCell(kind="free", columns=n - at, text=""))
    return cells


def _column_min(bar: HourBar) -> float:
    return COLUMN_MIN if bar.minutes <= LONG_H * 60 else 2 * COLUMN_MIN


def table(bar: HourBar, speak: Speaker) -> tuple[list[BarCell], list[tuple[str, list[BarCell]]], int]:
    """Return heads and rows of a bar as cells of a table that a phone holds, and how many columns it has."""
    n = columns(bar)
    column_px = BAR_PX / n
    rows = laid_out(bar, speak, LETTER_PX / column_px, MARGIN_PX / column_px)
    return heads(bar, speak), rows, n


def as_text(bar: HourBar, speak: Speaker) -> str:
    """Return the bar in plain text, a letter a column."""
    fill = {"roll": "=", "maybe": "?", "water": "~", "seal": "-", "rain": "/"}
    rows = [(name, _letters(cells, fill)) for name, cells in laid_out(bar, speak, 1.0, 1.0)]
    gutter = max((len(name) for name, _ in rows), default=0) + 2
    top = "".join(cell.text.ljust(cell.columns) for cell in heads(bar, speak))
    return "\n".join([(" " * gutter + top).rstrip(), *((name.ljust(gutter) + line).rstrip() for name, line in rows)])


def _letters(cells: Sequence[BarCell], fill: dict[str, str]) -> str:
    return "".join(cell.text[: cell.columns].ljust(cell.columns, fill.get(cell.kind, " ")) for cell in cells)
