"""Drawings of the page as SVG, in columns of a day each: a strip's moisture against its window, and the rain.

They hold no text and may be stretched to the columns of the table in which they stand. Line, hatch and shade are those
of the mails' picture: the window shaded between two lines, the likely range hatched, the mean a thick line.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from html import escape
from itertools import pairwise

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

DAY_WIDTH, PATH_HEIGHT, RAIN_HEIGHT = 100.0, 64.0, 34.0  # units of a drawing
FOOT = 9.0  # of a path's drawing, for planned work
HATCH_H = 3  # hours between two lines of the hatch
ROOM = 0.1  # above and below what is drawn, as a share of the window


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """The days of a drawing, a column each: the midnights that begin them, and the one that ends the last."""

    midnights_utc: tuple[datetime, ...]
    now_utc: datetime

    @property
    def width(self) -> float:
        return DAY_WIDTH * (len(self.midnights_utc) - 1)

    def x(self, at_utc: datetime) -> float:
        """Return where a moment stands, cut off at the edges; a day of 23 or 25 hours is a column like any other."""
        for column, (start, end) in enumerate(pairwise(self.midnights_utc)):
            if at_utc < end:
                return DAY_WIDTH * (column + max((at_utc - start) / (end - start), 0.0))
        return self.width


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkMark:
    """Planned work at the foot of a drawing. kind: "rolling" or "watering"; title: what it is."""

    from_utc: datetime
    until_utc: datetime
    kind: str
    title: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Path:
    """A strip's moisture hour by hour [%], its window, tests and what is planned.

    title, words   what the drawing shows, for whoever cannot see it
    readings       (when, [%], what it says)
    """

    title: str
    words: str
    at_utc: tuple[datetime, ...]
    mean: Floats
    p10: Floats
    p90: Floats
    low: float
    high: float
    omc: float
    readings: tuple[tuple[datetime, float, str], ...]
    marks: tuple[WorkMark, ...]


def moisture(path: Path, axis: Axis) -> str:
    """Return the drawing of a strip's moisture against its window; hours that are not known are left out.

    The window fills a third of the drawing at least: a path far outside of it runs along the edge.
    """
    known = ~np.isnan(path.mean + path.p10 + path.p90)
    wide = path.high - path.low
    drawn = np.concatenate([path.p10[known], path.p90[known], [path.low, path.high], [w for _, w, _ in path.readings]])
    least = max(float(drawn.min()) - ROOM * wide, path.low - wide)
    most = min(float(drawn.max()) + ROOM * wide, path.high + wide)

    def y(w_pct: float) -> float:
        return (PATH_HEIGHT - FOOT) * (most - min(max(w_pct, least), most)) / (most - least)

    first, last = axis.midnights_utc[0], axis.midnights_utc[-1]
    shown = [k for k, at in enumerate(path.at_utc) if known[k] and first <= at <= last]
    low = [(axis.x(path.at_utc[k]), y(path.p10[k])) for k in shown]
    high = [(axis.x(path.at_utc[k]), y(path.p90[k])) for k in shown]
    mean = [(axis.x(path.at_utc[k]), y(path.mean[k])) for k in shown]
    parts = [
        _open(path.title, axis, PATH_HEIGHT, path.words),
        _rect(0.0, y(path.high), axis.width, y(path.low) - y(path.high), "window"),
        *_days(axis, PATH_HEIGHT),
        _hatch(low, high),
        _line(0.0, y(path.omc), axis.width, y(path.omc), "optimum"),
        *(_line(0.0, y(edge), axis.width, y(edge), "edge") for edge in (path.low, path.high)),
        *(f'<polyline class="{kind}" points="{_points(mean)}"/>' for kind in ("halo", "mean")),
        *(
            f'<line class="reading" x1="{axis.x(at):.1f}" y1="{y(w):.1f}" x2="{axis.x(at):.1f}" y2="{y(w):.1f}">'
            f"<title>{escape(title)}</title></line>"
            for at, w, title in path.readings
        ),
        *(_mark(mark, axis) for mark in path.marks),
        _now(axis, PATH_HEIGHT),
        "</svg>",
    ]
    return "".join(parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rain:
    """The rain of each hour in the reader's unit: expected, and the nine-in-ten amount behind it; top: of the scale.

    title, words   what the drawing shows, for whoever cannot see it
    """

    title: str
    words: str
    at_utc: tuple[datetime, ...]
    mean: Floats
    p90: Floats
    top: float


def rain(shown: Rain, axis: Axis) -> str:
    """Return the drawing of the rain of each hour: bars on a line."""
    hour = (axis.midnights_utc[1] - axis.midnights_utc[0]) / 24
    parts = [_open(shown.title, axis, RAIN_HEIGHT, shown.words), *_days(axis, RAIN_HEIGHT)]
    for at, mean, p90 in zip(shown.at_utc, shown.mean, shown.p90, strict=True):
        left, right = axis.x(at), axis.x(at + hour)
        if right <= left or at < axis.midnights_utc[0]:
            continue
        for amount, kind in ((p90, "likely-most"), (mean, "expected")):
            if amount > 0.0:
                high = RAIN_HEIGHT * min(amount / shown.top, 1.0)
                parts.append(_rect(left, RAIN_HEIGHT - high, right - left, high, kind))
    return "".join(
        [*parts, _line(0.0, RAIN_HEIGHT, axis.width, RAIN_HEIGHT, "edge"), _now(axis, RAIN_HEIGHT), "</svg>"]
    )


def _open(title: str, axis: Axis, height: float, words: str) -> str:
    return (
        f'<svg viewBox="0 0 {axis.width:g} {height:g}" preserveAspectRatio="none" role="img" class="chart">'
        f"<title>{escape(title)}</title><desc>{escape(words)}</desc>"
    )


def _days(axis: Axis, height: float) -> list[str]:
    """The midnights between two days."""
    return [_line(axis.x(at), 0.0, axis.x(at), height, "day") for at in axis.midnights_utc[1:-1]]


def _hatch(low: Sequence[tuple[float, float]], high: Sequence[tuple[float, float]]) -> str:
    """Fill the likely range with lines that rise from its lower edge to its upper, inside a thin outline."""
    if len(low) < 2:
        return ""
    strokes = []
    for k in range(0, len(low), HATCH_H):
        (x, y), (right, up) = low[k], high[min(k + HATCH_H, len(high) - 1)]
        strokes.append(f"M{x:.1f} {y:.1f}L{right:.1f} {up:.1f}")
    outline = "".join(f'<polyline class="band" points="{_points(side)}"/>' for side in (low, high))
    return f'<path class="hatch" d="{"".join(strokes)}"/>{outline}'


def _mark(mark: WorkMark, axis: Axis) -> str:
    """Planned work as a block at the foot: black where it is rolled, open where it is watered."""
    left, right = axis.x(mark.from_utc), axis.x(mark.until_utc)
    if right <= left:
        return ""
    wide = max(right - left, 3.0)
    top, high = PATH_HEIGHT - FOOT + 1.0, FOOT - 2.0
    return (
        f'<rect class="{mark.kind}" x="{left:.1f}" y="{top:.1f}" width="{wide:.1f}" height="{high:g}">'
        f"<title>{escape(mark.title)}</title></rect>"
    )


def _now(axis: Axis, height: float) -> str:
    x = axis.x(axis.now_utc)
    return _line(x, 0.0, x, height, "now")


def _points(points: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)


def _rect(x: float, y: float, wide: float, high: float, kind: str) -> str:
    return f'<rect class="{kind}" x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="{high:.1f}"/>'


def _line(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    return f'<line class="{kind}" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>'


def top_of(amounts: Floats, least: float, step: float) -> float:
    """Return the top of a scale that holds all known amounts, a whole number of steps."""
    most = max(least, float(amounts[~np.isnan(amounts)].max(initial=0.0)))
    return step * math.ceil(most / step - 1e-9)
