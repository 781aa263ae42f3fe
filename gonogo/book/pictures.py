"""Drawings of a month as SVG: rain and lost hours of the site, and the moisture of a strip with its tests and work."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape

WIDTH, LEFT, RIGHT, TOP, BOTTOM = 720.0, 60.0, 10.0, 10.0, 26.0
HEIGHT = 150.0
LEAST_RAIN_MM = 5.0  # the scale of the rain reaches to this at least


@dataclass(frozen=True, slots=True, kw_only=True)
class DayMark:
    """One day of the axis: its label ("" = none is printed) and whether it is a working day."""

    label: str
    is_working_day: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteMonth:
    """Rain and lost hours by day, None where unknown. title: what it shows, for whoever cannot see it.

    rain, gauge   [mm]; lost_weather_h, lost_other_h   [h]; shift_h   length of the longest shift
    number        writes a number of the axis
    """

    title: str
    days: tuple[DayMark, ...]
    rain_mm: tuple[float | None, ...]
    gauge_mm: tuple[float | None, ...]
    lost_weather_h: tuple[float, ...]
    lost_other_h: tuple[float, ...]
    shift_h: float
    rain_tick: Callable[[float], str]
    hour_tick: Callable[[float], str]


@dataclass(frozen=True, slots=True, kw_only=True)
class StripMonth:
    """A strip's moisture by day [%], None where unknown, its window, tests and work.

    tests   (day as a fraction from the first, [%]); works   (day as a fraction, kind: "rolled", "watered", "other")
    """

    title: str
    days: tuple[DayMark, ...]
    model_pct: tuple[float | None, ...]
    tests: tuple[tuple[float, float], ...]
    works: tuple[tuple[float, str], ...]
    low_pct: float
    high_pct: float
    tick: Callable[[float], str]


def site_month(month: SiteMonth) -> str:
    """Return the drawing of a site's month: rain above, lost hours of each working day below."""
    known = [mm for mm in (*month.rain_mm, *month.gauge_mm) if mm is not None]
    most = max([LEAST_RAIN_MM, *known])
    half = (HEIGHT - TOP - BOTTOM) / 2.0
    parts = [*_frame(month.days, HEIGHT)]
    base, floor = TOP + half - 6.0, HEIGHT - BOTTOM
    width = _step(month.days) * 0.6
    for n, (rain, gauge) in enumerate(zip(month.rain_mm, month.gauge_mm, strict=True)):
        x = _x(n + 0.5, month.days)
        if rain:
            high = (base - TOP) * rain / most
            parts.append(_box(x - width / 2, base - high, width, high, "rain"))
        if gauge is not None:
            parts.append(f'<circle class="gauge" cx="{x:.1f}" cy="{base - (base - TOP) * gauge / most:.1f}" r="3"/>')
    scale = (floor - base - 12.0) / max(month.shift_h, 1.0)
    for n, (weather, other) in enumerate(zip(month.lost_weather_h, month.lost_other_h, strict=True)):
        x = _x(n + 0.5, month.days) - width / 2
        parts.append(_box(x, floor - weather * scale, width, weather * scale, "lost-weather"))
        parts.append(_box(x, floor - (weather + other) * scale, width, other * scale, "lost-other"))
    parts += [
        _tick(base, month.rain_tick(0.0)),
        _tick(TOP + 4, month.rain_tick(most)),
        _tick(floor, month.hour_tick(0.0)),
        _tick(floor - month.shift_h * scale + 4, month.hour_tick(month.shift_h)),
    ]
    return _svg(month.title, HEIGHT, parts)


def strip_month(month: StripMonth) -> str:
    """Return the drawing of a strip's month."""
    values = [w for w in month.model_pct if w is not None] + [w for _, w in month.tests]
    least = math.floor(min([month.low_pct, *values]) - 0.5)
    most = math.ceil(max([month.high_pct, *values]) + 0.5)

    def y(w_pct: float) -> float:
        return TOP + (HEIGHT - TOP - BOTTOM) * (most - w_pct) / (most - least)

    right = WIDTH - RIGHT
    parts = [_box(LEFT, y(month.high_pct), right - LEFT, y(month.low_pct) - y(month.high_pct), "window")]
    parts += _frame(month.days, HEIGHT)
    parts += [f'<polyline class="model" points="{points}"/>' for points in _runs(month, y)]
    parts += [_work(_x(at, month.days), kind) for at, kind in month.works]
    parts += [f'<circle class="test" cx="{_x(at, month.days):.1f}" cy="{y(w):.1f}" r="3.5"/>' for at, w in month.tests]
    parts += [_tick(y(w_pct) + 4, month.tick(w_pct)) for w_pct in (month.low_pct, month.high_pct)]
    return _svg(month.title, HEIGHT, parts)


def _runs(month: StripMonth, y: Callable[[float], float]) -> list[str]:
    """The points of each unbroken run of days with a known moisture; a single day is a short dash."""
    runs: list[list[tuple[float, float]]] = [[]]
    for n, w_pct in enumerate(month.model_pct):
        if w_pct is None:
            runs.append([])
        else:
            runs[-1].append((_x(n + 0.25, month.days), y(w_pct)))
    out = []
    for run in runs:
        if len(run) == 1:
            run = [(run[0][0] - 4, run[0][1]), (run[0][0] + 4, run[0][1])]
        if run:
            out.append(" ".join(f"{x:.1f},{height:.1f}" for x, height in run))
    return out


def _work(x: float, kind: str) -> str:
    """A mark at the foot of the drawing: rolled a square, watered an open diamond, anything else a short bar."""
    foot = HEIGHT - BOTTOM
    if kind == "rolled":
        return _box(x - 4, foot - 9, 8, 8, "rolled")
    if kind == "watered":
        return f'<path class="watered" d="M{x:.1f} {foot - 11:.1f} l4.5 5 l-4.5 5 l-4.5 -5 z"/>'
    return _box(x - 1, foot - 9, 2, 8, "rolled")


def _frame(days: Sequence[DayMark], height: float) -> list[str]:
    """Days off shaded, a line between days, and the labels."""
    parts = []
    for n, day in enumerate(days):
        x = _x(n, days)
        if not day.is_working_day:
            parts.append(_box(x, TOP, _step(days), height - TOP - BOTTOM, "off"))
        if day.label:
            parts.append(
                f'<text class="mid" x="{_x(n + 0.5, days):.1f}" y="{height - 8:.1f}">{escape(day.label)}</text>'
            )
    floor = height - BOTTOM
    return [*parts, f'<line class="base" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{floor}" y2="{floor}"/>']


def _step(days: Sequence[DayMark]) -> float:
    return (WIDTH - LEFT - RIGHT) / len(days)


def _x(at: float, days: Sequence[DayMark]) -> float:
    return LEFT + at * _step(days)


def _box(x: float, y: float, width: float, height: float, kind: str) -> str:
    return f'<rect class="{kind}" x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{max(height, 0.0):.1f}"/>'


def _tick(y: float, label: str) -> str:
    return f'<text class="end" x="{LEFT - 6}" y="{y:.1f}">{escape(label)}</text>'


def _svg(title: str, height: float, parts: Sequence[str]) -> str:
    escaped_title = escape(title, quote=True)
    head = f'<svg class="chart" viewBox="0 0 {WIDTH:.0f} {height:.0f}" role="img" aria-label="{escaped_title}">'
    return "\n".join([head, f"<title>{escaped_title}</title>", *parts, "</svg>"])


@dataclass(frozen=True, slots=True, kw_only=True)
class Errors:
    """Errors by lead, in pairs of bars: the forecast's beside that of "as last tested"."""

    title: str
    labels: tuple[str, ...]
    forecast: tuple[float, ...]
    as_tested: tuple[float, ...]
    tick: Callable[[float], str]


def errors(found: Errors) -> str:
    """Return the drawing of the errors of a score."""
    days = tuple(DayMark(label=label, is_working_day=True) for label in found.labels)
    most = max((*found.forecast, *found.as_tested)) or 1.0
    floor, scale = HEIGHT - BOTTOM, (HEIGHT - TOP - BOTTOM) / most
    width = min(_step(days) * 0.25, 40.0)
    parts = _frame(days, HEIGHT)
    for n, (forecast, as_tested) in enumerate(zip(found.forecast, found.as_tested, strict=True)):
        middle = _x(n + 0.5, days)
        parts.append(_box(middle - width - 1, floor - forecast * scale, width, forecast * scale, "lost-weather"))
        parts.append(_box(middle + 1, floor - as_tested * scale, width, as_tested * scale, "lost-other"))
    parts += [_tick(floor, found.tick(0.0)), _tick(TOP + 4, found.tick(most))]
    return _svg(found.title, HEIGHT, parts)
