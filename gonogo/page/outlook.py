"""The outlook of a site as one HTML page: the day's bar, strips by days with their moisture, order of work, changes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from functools import cache, partial
from importlib import resources

import jinja2
import numpy as np
from markupsafe import Markup

from gonogo import times, units
from gonogo.decide.inputs import MorningInputs, on_hours
from gonogo.decide.plan.added_water import added_pct
from gonogo.page import charts
from gonogo.page.charts import Axis, Path, WorkMark
from gonogo.page.view import Outlook, OutlookView, build
from gonogo.records.day_plan import Badge, Task
from gonogo.records.field import Reading
from gonogo.records.site import Strip
from gonogo.records.verdict import Verdict
from gonogo.records.work_order import PlannedWork, Work
from gonogo.wording import hour_bar, phrases, plain
from gonogo.wording.clock import Clock
from gonogo.wording.instruction import Instruction, waits_until
from gonogo.wording.items import CellView, RowView, StripView
from gonogo.wording.language import Speaker
from gonogo.wording.order import work_phrase, work_span
from gonogo.wording.phrases import Gap, phrase

LEAST_RAIN_MM = 1.0  # the scale of the rain reaches to this at least


@dataclass(frozen=True, slots=True, kw_only=True)
class StripShown:
    """One strip of the page: its view with its crew, its days, what it is told today, and its drawing."""

    strip: StripView
    crew: str
    row: RowView
    badge: str
    told: tuple[Gap, ...]
    drawing: Markup


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
    axis = _axis(data.inputs, len(view.days))
    return _template().render(
        css=Markup(resources.files("gonogo.page").joinpath("outlook.css").read_text("utf-8")),
        view=view,
        say=speak.say,
        word=speak.word,
        language=speak.words.language,
        sentences=partial(plain.sentences, speak),
        kind=_kind,
        bars=[(crew, *hour_bar.table(bar, speak)) for crew, bar in view.bars],
        has_maybe=any(bar.has_maybe for _, bar in view.bars),
        rain=Markup(charts.rain(_rain(data.inputs, speak), axis)),
        shown=_shown(data, view, axis, speak),
    )


def _kind(cell: CellView) -> str:
    """Return how a cell of the table is drawn: its class."""
    if not cell.is_working_day:
        return "off"
    return "good" if cell.is_workable else "wet" if cell.is_workable_watered else ""


def _shown(data: Outlook, view: OutlookView, axis: Axis, speak: Speaker) -> list[StripShown]:
    """Return the strips that have days, with what the page shows of each."""
    by_id = {strip.id: strip for strip in data.inputs.strips}
    crews = dict(zip((strip.id for strip in view.strips), view.crews, strict=True))
    return [
        StripShown(
            strip=strip,
            crew=crews[strip.id],
            row=row,
            badge=told.badge if (told := view.told.get(strip.id)) is not None else _badge_of(strip),
            told=() if told is None else tuple(_told(told)),
            drawing=Markup(charts.moisture(_path(data, by_id[strip.id], strip, axis, speak), axis)),
        )
        for strip, row in view.strip_rows
        if strip.id in by_id
    ]


def _badge_of(strip: StripView) -> str:
    """Return the badge of a verdict of which there is no plan."""
    return Badge.WATER_FIRST if strip.verdict == Verdict.WATER else strip.verdict


def _told(told: Instruction) -> Iterator[Gap]:
    """Yield what a strip is told today, in few words: water with its hours, rolling with its hours, the test."""
    if told.badge == Badge.TEST and told.test is not None and told.test.by is not None:
        yield phrase("row.by", by=told.test.by)
    if told.water is not None and told.litres is not None:
        yield phrase("page.water", litres=told.litres, span=told.water)
    if told.roll is not None:
        yield phrase("page.roll", span=told.roll)
    if told.badge == Badge.WAIT and told.next is not None:
        yield waits_until(told.next, is_drying=False)


def _axis(inputs: MorningInputs, n_days: int) -> Axis:
    """The days of the table, from today on."""
    dates = [inputs.day + timedelta(days=n) for n in range(n_days + 1)]
    midnights = (times.moment_utc(day, time(0), inputs.site.zone).astimezone(UTC) for day in dates)
    return Axis(midnights_utc=tuple(midnights), now_utc=inputs.now_utc)


def _moments(inputs: MorningInputs) -> tuple[datetime, ...]:
    return tuple(times.as_datetime(hour) for hour in inputs.hour_utc)


def _rain(inputs: MorningInputs, speak: Speaker) -> charts.Rain:
    """The rain of the hours ahead in the reader's unit."""
    shown = units.QUANTITIES["rain_mm"][("metric", "us").index(speak.unit_system)]
    members = on_hours(inputs, inputs.weather.rain_members_mm) * shown.per_si
    mean, p90 = members.mean(axis=1), np.percentile(np.nan_to_num(members), 90.0, axis=1)
    step = 1.0 if shown.per_si == 1.0 else 0.1
    top = charts.top_of(np.concatenate([mean, p90]), LEAST_RAIN_MM * shown.per_si, step)
    words = speak.word("page.rain_words", top=f"{speak.number(top, 0 if step == 1.0 else 1)} {shown.unit}")
    return charts.Rain(title=speak.word("page.rain"), words=words, at_utc=_moments(inputs), mean=mean, p90=p90, top=top)


def _path(data: Outlook, strip: Strip, view: StripView, axis: Axis, speak: Speaker) -> Path:
    """A strip's moisture hour by hour, today's water in it, with its window, tests and planned work."""
    inputs, order, plan = data.inputs, data.order, data.plan
    material = inputs.material(strip)
    moments = _moments(inputs)
    members = inputs.w_pct[:, inputs.strips.index(strip)]
    water = None if plan is None else next((j for j in plan.jobs_of(strip.id) if j.task == Task.WATER), None)
    added = np.zeros(len(moments)) if water is None else added_pct(len(moments), moments[0], strip, water)
    p10, p90 = np.percentile(members, (10.0, 90.0), axis=1)
    mean = members.mean(axis=1) + added
    works = () if order is None else order.works
    marked = [w for w in works if w.strip_id == strip.id and w.work in (Work.ROLLING, Work.WATERING)]
    return Path(
        title=speak.word("page.moisture_of", strip=strip.name),
        words=_words(mean[[at >= axis.midnights_utc[0] for at in moments]], view, speak),
        at_utc=moments,
        mean=mean,
        p10=p10 + added,
        p90=p90 + added,
        low=material.omc_pct + material.window_low_pct,
        high=material.omc_pct + material.window_high_pct,
        omc=material.omc_pct,
        readings=tuple(
            (e.at_utc, e.w_pct, speak.say(phrases.amount("w_pct", e.w_pct)))
            for e in data.entries
            if isinstance(e, Reading) and e.strip_id == strip.id and axis.midnights_utc[0] <= e.at_utc <= inputs.now_utc
        ),
        marks=tuple(_mark(data, work, strip, speak) for work in marked),
    )


def _words(mean: charts.Floats, view: StripView, speak: Speaker) -> str:
    """What the drawing of a strip shows, for whoever cannot see it."""
    known = mean[~np.isnan(mean)]
    if not len(known):
        return speak.word("page.moisture_unknown")
    first, last = (phrases.amount("w_pct", float(known[k])) for k in (0, -1))
    window = {"low": view.window_low, "high": view.window_high}
    return speak.word("page.moisture_words", first=first, last=last, optimum=view.optimum, **window)


def _mark(data: Outlook, work: PlannedWork, strip: Strip, speak: Speaker) -> WorkMark:
    """A piece of planned work in a strip's drawing, with what a pointer on it says."""
    clock = Clock(site=data.inputs.site, day=data.inputs.day)
    title = speak.say(work_phrase(work, strip.name, "order", span=work_span(work, clock)))
    return WorkMark(from_utc=work.start_utc, until_utc=work.end_utc, kind=str(work.work), title=title)
