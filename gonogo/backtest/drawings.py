"""Drawings of a backtest as SVG: lines over the days ahead, chances against what came true, and bars of stations."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape

WIDTH, LEFT, RIGHT, TOP, BOTTOM = 360.0, 52.0, 12.0, 12.0, 40.0
HEIGHT, SQUARE_HEIGHT, BAR_STEP = 230.0, 320.0, 30.0
MARKS = ("disc", "box", "tip", "ring", "frame")  # so that no line is told from another by its colour alone


@dataclass(frozen=True, slots=True, kw_only=True)
class LeadLine:
    """Points (days ahead, value) under a name, drawn with the mark of its place in MARKS."""

    name: str
    points: tuple[tuple[float, float], ...]
    mark: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LeadLines:
    """Lines over the days ahead. title: what it shows and its figures, for whoever cannot see it.

    ticks    values of the scale from its foot to its top; tick writes one
    wanted   (low, high) of a stretch of the scale to be shaded, None for none
    """

    title: str
    lines: tuple[LeadLine, ...]
    ticks: tuple[float, ...]
    tick: Callable[[float], str]
    axis: str
    wanted: tuple[float, float] | None = None


def lines(picture: LeadLines) -> str:
    """Return the drawing of lines over the days ahead."""
    days = sorted({day for line in picture.lines for day, _ in line.points})
    least, most = picture.ticks[0], picture.ticks[-1]

    def x(day: float) -> float:
        return LEFT + 8.0 + (WIDTH - LEFT - RIGHT - 16.0) * (day - days[0]) / max(days[-1] - days[0], 1.0)

    def y(value: float) -> float:
        return TOP + (HEIGHT - TOP - BOTTOM) * (most - min(max(value, least), most)) / (most - least)

    parts = []
    if picture.wanted is not None:
        low, high = picture.wanted
        parts.append(_box(LEFT, y(high), WIDTH - LEFT - RIGHT, y(low) - y(high), "wanted"))
    for value in picture.ticks:
        parts += [_rule(LEFT, y(value), WIDTH - RIGHT, y(value)), _text(LEFT - 6, y(value) + 4, picture.tick(value))]
    parts += [_text(x(day), HEIGHT - BOTTOM + 16, f"{day:.0f}", "mid") for day in days]
    parts.append(_text((LEFT + WIDTH - RIGHT) / 2, HEIGHT - 6, picture.axis, "mid"))
    for line in picture.lines:
        points = [(x(day), y(value)) for day, value in line.points]
        along = " ".join(f"{at:.1f},{height:.1f}" for at, height in points)
        parts.append(f'<polyline class="line {line.mark}" points="{along}"/>')
        parts += [mark(at, height, line.mark) for at, height in points]
    return _svg(picture.title, HEIGHT, parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tenths:
    """Chances as said against how often they came true (said, came true, how many), each 0 to 1."""

    title: str
    points: tuple[tuple[float, float, int], ...]
    chance_label: str
    came_label: str


def tenths(picture: Tenths) -> str:
    """Return the drawing of chances against what came true; the diagonal is where they are what they say."""
    height = SQUARE_HEIGHT

    # Room for the discs at both ends.
    def x(chance: float) -> float:
        return LEFT + 10.0 + (WIDTH - LEFT - RIGHT - 26.0) * chance

    def y(chance: float) -> float:
        return TOP + (height - TOP - BOTTOM - 10.0) * (1.0 - chance)

    parts = []
    for k in range(0, 11, 2):
        parts += [_rule(LEFT, y(k / 10), WIDTH - RIGHT, y(k / 10)), _text(LEFT - 6, y(k / 10) + 4, f"{10 * k}%")]
        parts.append(_text(x(k / 10), height - BOTTOM + 16, f"{10 * k}%", "mid"))
    parts.append(f'<line class="even" x1="{x(0):.1f}" y1="{y(0):.1f}" x2="{x(1):.1f}" y2="{y(1):.1f}"/>')
    parts.append(_text((LEFT + WIDTH - RIGHT) / 2, height - 6, picture.chance_label, "mid"))
    parts.append(_text(LEFT + 6, TOP + 12, picture.came_label, "start"))
    most = max(n for _, _, n in picture.points)
    for chance, came_true, n in picture.points:
        radius = 3.5 + 5.0 * math.sqrt(n / most)
        parts.append(f'<circle class="tenth" cx="{x(chance):.1f}" cy="{y(came_true):.1f}" r="{radius:.1f}"/>')
    return _svg(picture.title, height, parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bars:
    """A bar a station: (name, its error, that of no change)."""

    title: str
    rows: tuple[tuple[str, float, float], ...]
    tick: Callable[[float], str]


def bars(picture: Bars) -> str:
    """Return the drawing of stations, each a bar of its error with an upright where no change lies."""
    most = max(max(error, still) for _, error, still in picture.rows) or 1.0
    height = BAR_STEP * len(picture.rows) + 4.0
    room, foot = WIDTH - RIGHT - 44.0, 4.0
    parts = []
    for n, (name, error, still) in enumerate(picture.rows):
        y = BAR_STEP * n + 14.0
        parts.append(_text(foot, y - 2, name, "start"))
        parts.append(_box(foot, y + 2, room * error / most, 9.0, "bar"))
        at = foot + room * still / most
        parts.append(f'<line class="still" x1="{at:.1f}" y1="{y:.1f}" x2="{at:.1f}" y2="{y + 13:.1f}"/>')
        beyond = foot + room * max(error, still) / most + 6.0
        parts.append(_text(beyond, y + 11, picture.tick(error), "start"))
    return _svg(picture.title, height, parts)


def key(mark_name: str) -> str:
    """Return the sample of a line for the key below a drawing."""
    sample = f'<polyline class="line {mark_name}" points="1,7 33,7"/>{mark(17, 7, mark_name)}'
    return f'<svg class="sample" viewBox="0 0 34 14" aria-hidden="true">{sample}</svg>'


def mark(x: float, y: float, kind: str) -> str:
    """Return a mark of one of MARKS."""
    if kind in ("disc", "ring"):
        return f'<circle class="mark {kind}" cx="{x:.1f}" cy="{y:.1f}" r="3.5"/>'
    if kind == "tip":
        return f'<path class="mark tip" d="M{x:.1f} {y - 4.5:.1f} l4.5 8 h-9 z"/>'
    return f'<rect class="mark {kind}" x="{x - 3.2:.1f}" y="{y - 3.2:.1f}" width="6.4" height="6.4"/>'


def scale(most: float) -> tuple[float, ...]:
    """Return four to six round values from 0 to at least `most`."""
    if not most > 0.0:
        return (0.0, 1.0)
    rough = most / 4.0
    unit = 10.0 ** math.floor(math.log10(rough))
    step = next(unit * k for k in (1.0, 2.0, 2.5, 5.0, 10.0) if unit * k >= rough)
    return tuple(step * k for k in range(math.ceil(most / step) + 1))


def _rule(x1: float, y1: float, x2: float, y2: float) -> str:
    return f'<line class="rule" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>'


def _box(x: float, y: float, width: float, height: float, kind: str) -> str:
    return f'<rect class="{kind}" x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{max(height, 0.0):.1f}"/>'


def _text(x: float, y: float, label: str, anchor: str = "end") -> str:
    return f'<text class="{anchor}" x="{x:.1f}" y="{y:.1f}">{escape(label)}</text>'


def _svg(title: str, height: float, parts: Sequence[str]) -> str:
    escaped_title = escape(title, quote=True)
    head = f'<svg class="chart" viewBox="0 0 {WIDTH:.0f} {height:.0f}" role="img" aria-label="{escaped_title}">'
    return "\n".join([head, *parts, "</svg>"])
