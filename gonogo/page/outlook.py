"""The outlook of a site as one HTML page: strips by days, rain, order of work, changes, moisture of each strip."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from functools import cache, partial
from importlib import resources

import jinja2
import numpy as np
from markupsafe import Markup

from gonogo import times, units
from gonogo.decide.inputs import MorningInputs, on_hours
from gonogo.page import charts
from gonogo.page.charts import Axis, Interval, Path
from gonogo.page.view import Outlook, OutlookView, build
from gonogo.records import shift
from gonogo.records.field import Reading
from gonogo.records.site import Strip
from gonogo.records.work_order import PlannedWork, Work
from gonogo.wording import phrases, plain
from gonogo.wording.clock import Clock
from gonogo.wording.items import CellView, StripView
from gonogo.wording.language import Speaker
from gonogo.wording.order import work_phrase, work_span
from gonogo.wording.phrases import Day

DAYS_BACK = 2  # of the moisture path that are shown before today
LEAST_RAIN_MM = 1.0  # the scale of the rain reaches to this at least


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drawing:
    """What all drawings of a page share."""

    data: Outlook
    speak: Speaker
    axis: Axis
    shifts: tuple[Interval, ...]


@cache
def _template() -> jinja2.Template:
    text = resources.files("gonogo.page").joinpath("outlook.html").read_text("utf-8")
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return environment.from_string(text)


def page(data: Outlook, speak: Speaker) -> str:
    """Return the page in a language and its units: complete in itself, with no script and nothing to be fetched."""
    view = build(data)
    axis = _axis(data.inputs, speak)
    drawing = _Drawing(data=data, speak=speak, axis=axis, shifts=tuple(_shifts(data.inputs, axis)))
    return _template().render(
        css=Markup(resources.files("gonogo.page").joinpath("outlook.css").read_text("utf-8")),
        view=view,
        say=speak.say,
        word=speak.word,
        language=speak.words.language,
        sentences=partial(plain.sentences, speak),
        kind=_kind,
        rain_unit=_shown_rain(speak).unit,
        rain=Markup(charts.rain(_rain(drawing), axis)),
        chapters=_chapters(drawing, view),
    )


def _kind(cell: CellView) -> str:
    """Return how a cell of the table is drawn: its class."""
    if not cell.is_working_day:
        return "off"
    return "good" if cell.is_workable else "wet" if cell.is_workable_watered else ""


def _chapters(drawing: _Drawing, view: OutlookView) -> list[tuple[StripView, str, Markup]]:
    """Return the strips with their crews and drawings."""
    by_id: Mapping[str, Strip] = {strip.id: strip for strip in drawing.data.inputs.strips}
    return [
        (strip, crew, Markup(charts.moisture(_path(drawing, by_id[strip.id], strip), drawing.axis)))
        for strip, crew in zip(view.strips, view.crews, strict=True)
        if strip.id in by_id
    ]


def _moments(inputs: MorningInputs) -> tuple[datetime, ...]:
    return tuple(times.as_datetime(hour) for hour in inputs.hour_utc)


def _midnight(inputs: MorningInputs, days: int) -> datetime:
    day = inputs.day + timedelta(days=days)
    return times.moment_utc(day, time(0), inputs.site.zone).astimezone(UTC)


def _axis(inputs: MorningInputs, speak: Speaker) -> Axis:
    """The hours of the drawings: whole days, from some before today to the end of the path."""
    moments = _moments(inputs)
    from_utc = max(_midnight(inputs, -DAYS_BACK), moments[0])
    until_utc = moments[-1] + timedelta(hours=1)
    days = []
    for n in range(-DAYS_BACK, (until_utc - from_utc).days + 1):
        at = _midnight(inputs, n)
        if at < until_utc:
            days.append((at, speak.say(Day(day=inputs.day + timedelta(days=n), form="head"))))
    return Axis(from_utc=from_utc, until_utc=until_utc, now_utc=inputs.now_utc, days=tuple(days))


def _shifts(inputs: MorningInputs, axis: Axis) -> Sequence[Interval]:
    """The working hours of every day shown."""
    found = []
    for n in range(-DAYS_BACK, (axis.until_utc - axis.from_utc).days + 1):
        day = inputs.day + timedelta(days=n)
        if shift.is_working_day(inputs.site, day):
            start, end = shift.shift_utc(inputs.site, day)
            found.append(Interval(from_utc=start, until_utc=end, kind="shift"))
    return found


def _rain(drawing: _Drawing) -> charts.Rain:
    """The rain of the hours ahead in the reader's unit."""
    inputs, speak = drawing.data.inputs, drawing.speak
    shown = _shown_rain(speak)
    members = on_hours(inputs, inputs.weather.rain_members_mm) * shown.per_si
    mean, p90 = members.mean(axis=1), np.percentile(np.nan_to_num(members), 90.0, axis=1)
    known = np.concatenate([mean, p90])
    step = 1.0 if shown.per_si == 1.0 else 0.1
    most = max(LEAST_RAIN_MM * shown.per_si, float(known[~np.isnan(known)].max(initial=0.0)))
    top = step * math.ceil(most / step - 1e-9)
    decimals = 1 if step == 1.0 else 2
    return charts.Rain(
        title=speak.word("page.rain"),
        words=speak.word("page.rain_key", unit=shown.unit),
        at_utc=_moments(inputs),
        mean=mean,
        p90=p90,
        ticks=tuple((amount, speak.number(amount, decimals)) for amount in (0.0, top / 2.0, top)),
        shifts=drawing.shifts,
    )


def _shown_rain(speak: Speaker) -> units.Shown:
    return units.QUANTITIES["rain_mm"][("metric", "us").index(speak.unit_system)]


def _path(drawing: _Drawing, strip: Strip, view: StripView) -> Path:
    """A strip's moisture hour by hour with its window, tests and planned work."""
    inputs, axis, speak, order = drawing.data.inputs, drawing.axis, drawing.speak, drawing.data.order
    material = inputs.material(strip)
    moments = _moments(inputs)
    first = next(k for k, at in enumerate(moments) if at >= axis.from_utc)
    members = inputs.w_pct[first:, inputs.strips.index(strip)]
    p10, p90 = np.percentile(members, (10.0, 90.0), axis=1)
    mean = members.mean(axis=1)
    works = () if order is None else order.works
    marked = [w for w in works if w.strip_id == strip.id and w.work in (Work.ROLLING, Work.WATERING)]
    readings = [e for e in drawing.data.entries if isinstance(e, Reading) and e.strip_id == strip.id]
    return Path(
        title=speak.word("page.moisture_of", strip=strip.name),
        words=_words(mean, view, speak),
        at_utc=moments[first:],
        mean=mean,
        p10=p10,
        p90=p90,
        low=material.omc_pct + material.window_low_pct,
        high=material.omc_pct + material.window_high_pct,
        omc=material.omc_pct,
        readings=tuple(
            (e.at_utc, e.w_pct, speak.say(phrases.amount("w_pct", e.w_pct)))
            for e in readings
            if axis.from_utc <= e.at_utc <= inputs.now_utc
        ),
        spans=(*drawing.shifts, *(_mark(drawing, work, strip) for work in marked)),
    )


def _words(mean: charts.Floats, view: StripView, speak: Speaker) -> str:
    """What the drawing of a strip shows, for whoever cannot see it."""
    known = mean[~np.isnan(mean)]
    if not len(known):
        return speak.word("page.moisture_unknown")
    first, last = (phrases.amount("w_pct", float(known[k])) for k in (0, -1))
    window = {"low": view.window_low, "high": view.window_high}
    return speak.word("page.moisture_words", first=first, last=last, optimum=view.optimum, **window)


def _mark(drawing: _Drawing, work: PlannedWork, strip: Strip) -> Interval:
    """A piece of planned work in a strip's drawing, with what a pointer on it says."""
    clock = Clock(site=drawing.data.inputs.site, day=drawing.data.inputs.day)
    title = drawing.speak.say(work_phrase(work, strip.name, "order", span=work_span(work, clock)))
    return Interval(from_utc=work.start_utc, until_utc=work.end_utc, kind=str(work.work), title=title)
