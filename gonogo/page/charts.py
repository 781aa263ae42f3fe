"""Drawings of the page as SVG: a strip's moisture against its window, and the rain of the hours ahead."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from html import escape

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

WIDTH, LEFT, RIGHT, TOP, BOTTOM = 720.0, 44.0, 8.0, 8.0, 34.0
PATH_HEIGHT, RAIN_HEIGHT = 190.0, 130.0
_MARK_ROOM_PCT = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A stretch of the axis of hours with a class and, for readers of the drawing, what it is."""

    from_utc: datetime
    until_utc: datetime
    kind: str
    title: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """The hours of a drawing: first and last moment, day boundaries with their names, and the moment of now."""

    from_utc: datetime
    until_utc: datetime
    now_utc: datetime
    days: tuple[tuple[datetime, str], ...]

    def x(self, at_utc: datetime) -> float:
        whole = (self.until_utc - self.from_utc).total_seconds()
        return LEFT + (WIDTH - LEFT - RIGHT) * (at_utc - self.from_utc).total_seconds() / whole


@dataclass(frozen=True, slots=True, kw_only=True)
class Path:
    """A strip's moisture hour by hour [%], its window, readings and what is planned."""

    name: str
    at_utc: tuple[datetime, ...]
    mean: Floats
    p10: Floats
    p90: Floats
    low: float
    high: float
    omc: float
    readings: tuple[tuple[datetime, float], ...]
    spans: tuple[Interval, ...]


def moisture(path: Path, axis: Axis) -> str:
    """Return the drawing of a strip's moisture against its window; hours that are not known are left out."""
    known = ~np.isnan(path.mean + path.p10 + path.p90)
    values = np.concatenate([path.p10[known], path.p90[known], [path.low, path.high], [w for _, w in path.readings]])
    least = math.floor(float(values.min()) - _MARK_ROOM_PCT)
    most = math.ceil(float(values.max()) + _MARK_ROOM_PCT)
    height = PATH_HEIGHT

    def y(w_pct: float) -> float:
        return TOP + (height - TOP - BOTTOM) * (most - w_pct) / (most - least)

    x = [axis.x(at) for at in path.at_utc]
    shown = [k for k in range(len(x)) if known[k] and LEFT <= x[k] <= WIDTH - RIGHT]
    band = [(x[k], y(path.p90[k])) for k in shown] + [(x[k], y(path.p10[k])) for k in reversed(shown)]
    step = 1 if most - least <= 6 else 2 if most - least <= 14 else 5
    ticks = [w for w in range(least, most + 1) if w % step == 0]
    parts = [
        _open(f"Moisture of {path.name}", height, _words(path, shown)),
        *_days(axis, height),
        *(_span(s, axis, height) for s in path.spans if s.kind == "shift"),
        _rect(LEFT, y(path.high), WIDTH - LEFT - RIGHT, y(path.low) - y(path.high), "window"),
        *(_line(LEFT, y(edge), WIDTH - RIGHT, y(edge), "edge") for edge in (path.low, path.high)),
        _line(LEFT, y(path.omc), WIDTH - RIGHT, y(path.omc), "optimum"),
        *(_text(LEFT - 6, y(w) + 4, f"{w}", "tick end") for w in ticks),
        f'<polygon class="band" points="{_points(band)}"/>' if len(shown) > 1 else "",
        f'<polyline class="mean" points="{_points([(x[k], y(path.mean[k])) for k in shown])}"/>',
        *(
            f'<circle class="reading" cx="{axis.x(at):.1f}" cy="{y(w):.1f}" r="4"><title>{w:.1f} %</title></circle>'
            for at, w in path.readings
            if axis.from_utc <= at <= axis.until_utc
        ),
        *(_span(s, axis, height) for s in path.spans if s.kind != "shift"),
        _line(axis.x(axis.now_utc), TOP, axis.x(axis.now_utc), height - BOTTOM, "now"),
        "</svg>",
    ]
    return "".join(parts)


def rain(axis: Axis, at_utc: Sequence[datetime], mean_mm: Floats, p90_mm: Floats, shifts: Sequence[Interval]) -> str:
    """Return the drawing of the rain of each hour: expected, and the nine-in-ten amount behind it [mm]."""
    height = RAIN_HEIGHT
    known = np.concatenate([mean_mm, p90_mm])
    known = known[~np.isnan(known)]
    most = max(1.0, math.ceil(float(known.max(initial=0.0))))

    def y(mm: float) -> float:
        return TOP + (height - TOP - BOTTOM) * (1.0 - mm / most)

    parts = [_open("Rain of the hours ahead", height, "Expected rain in mm an hour."), *_days(axis, height)]
    parts += [_span(s, axis, height) for s in shifts]
    for at, mean, p90 in zip(at_utc, mean_mm, p90_mm, strict=True):
        left, wide = axis.x(at), (WIDTH - LEFT - RIGHT) * 3600.0 / (axis.until_utc - axis.from_utc).total_seconds()
        if left < LEFT - 1e-6 or left + wide > WIDTH - RIGHT + 1e-6:
            continue
        for mm, kind in ((p90, "likely-most"), (mean, "expected")):
            if mm > 0.0:
                parts.append(_rect(left, y(mm), wide, y(0.0) - y(mm), kind))
    parts += [_text(LEFT - 6, y(mm) + 4, f"{mm:g}", "tick end") for mm in (0.0, most / 2.0, most)]
    parts += [_line(LEFT, y(0.0), WIDTH - RIGHT, y(0.0), "base")]
    parts += [_line(axis.x(axis.now_utc), TOP, axis.x(axis.now_utc), height - BOTTOM, "now"), "</svg>"]
    return "".join(parts)


def _words(path: Path, shown: Sequence[int]) -> str:
    """What the drawing shows, for whoever cannot see it."""
    if not shown:
        return "The moisture is not known."
    first, last = shown[0], shown[-1]
    return (
        f"From {path.mean[first]:.1f} % to {path.mean[last]:.1f} % expected; window {path.low:.1f} % to "
        f"{path.high:.1f} %, optimum {path.omc:.1f} %."
    )


def _open(title: str, height: float, words: str) -> str:
    return (
        f'<svg viewBox="0 0 {WIDTH:g} {height:g}" role="img" class="chart">'
        f"<title>{escape(title)}</title><desc>{escape(words)}</desc>"
    )


def _days(axis: Axis, height: float) -> list[str]:
    """Day boundaries and names; a name stands only where its day has room."""
    parts = []
    edges = [axis.x(at) for at, _ in axis.days] + [WIDTH - RIGHT]
    for k, (at, name) in enumerate(axis.days):
        x = axis.x(at)
        if x >= LEFT - 1e-6:
            parts.append(_line(x, TOP, x, height - BOTTOM + 6, "day"))
        middle = (max(x, LEFT) + edges[k + 1]) / 2.0
        if edges[k + 1] - max(x, LEFT) > 30.0:
            weekday, _, number = name.partition(" ")
            parts.append(_text(middle, height - BOTTOM + 15, weekday, "tick mid"))
            parts.append(_text(middle, height - BOTTOM + 28, number, "tick mid"))
    return parts


def _span(span: Interval, axis: Axis, height: float) -> str:
    """A stretch of hours: the shift behind everything, planned work as a bar at the foot."""
    left, right = (min(max(axis.x(at), LEFT), WIDTH - RIGHT) for at in (span.from_utc, span.until_utc))
    if right <= left:
        return ""
    tip = f"<title>{escape(span.title)}</title>" if span.title else ""
    if span.kind == "shift":
        return _rect(left, TOP, right - left, height - TOP - BOTTOM, "shift")
    high, place = (9.0, height - BOTTOM - 9.0) if span.kind == "rolling" else (5.0, height - BOTTOM - 15.0)
    wide = max(right - left, 4.0)
    return f'<rect class="{span.kind}" x="{left:.1f}" y="{place:.1f}" width="{wide:.1f}" height="{high:g}">{tip}</rect>'


def _points(points: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)


def _rect(x: float, y: float, wide: float, high: float, kind: str) -> str:
    return f'<rect class="{kind}" x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="{high:.1f}"/>'


def _line(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    return f'<line class="{kind}" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>'


def _text(x: float, y: float, words: str, kind: str) -> str:
    return f'<text class="{kind}" x="{x:.1f}" y="{y:.1f}">{escape(words)}</text>'
