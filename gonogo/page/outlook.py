"""The outlook of a site as one HTML page: strips by days, rain, order of work, changes, moisture of each strip."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from functools import cache
from importlib import resources

import jinja2
import numpy as np
from markupsafe import Markup

from gonogo import times
from gonogo.decide.inputs import MorningInputs, on_hours
from gonogo.page import charts, words
from gonogo.page.charts import Axis, Interval, Path
from gonogo.records import shift
from gonogo.records.field import Entry, Reading
from gonogo.records.site import Strip
from gonogo.records.verdict import Decision, OutlookDay
from gonogo.records.work_order import Change, PlannedWork, Work, WorkOrder
from gonogo.weather import services

DAYS_BACK = 2  # of the moisture path that are shown before today


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What a page is made from.

    order, changes   None where there is none
    entries          everything recorded; the readings of the hours shown become dots
    units            "metric" or "us"
    """

    inputs: MorningInputs
    decisions: tuple[Decision, ...]
    outlook: tuple[OutlookDay, ...]
    order: WorkOrder | None
    changes: tuple[Change, ...] | None
    entries: tuple[Entry, ...]
    units: str = "metric"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """One strip of the table: its verdict today, a cell for each day, and its chapter below."""

    name: str
    crew: str
    verdict: str
    kind: str
    cells: tuple[tuple[str, str, str], ...]
    chart: Markup
    lines: tuple[str, ...]


@cache
def _template() -> jinja2.Template:
    text = resources.files("gonogo.page").joinpath("outlook.html").read_text("utf-8")
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return environment.from_string(text)


def page(told: Told) -> str:
    """Return the page: complete in itself, with no script and nothing to be fetched."""
    inputs, site = told.inputs, told.inputs.site
    axis = _axis(inputs)
    shifts = tuple(_shifts(inputs))
    days = list(dict.fromkeys(row.day for row in told.outlook))
    weather = inputs.weather
    rain = on_hours(inputs, weather.rain_members_mm)
    order = told.order
    return _template().render(
        css=Markup(resources.files("gonogo.page").joinpath("outlook.css").read_text("utf-8")),
        site=site.name,
        at=f"{inputs.now_utc.astimezone(site.zone):%A %d %B %Y, %H:%M}",
        zone=site.zone.key,
        source=services.title(weather.service),
        fetched=words.moment(site, weather.fetched_utc),
        attribution=weather.attribution,
        needed=words.percent(_needed(told)),
        days=[(f"{day:%a}", f"{day.day}") for day in days],
        rain_row=[_rain_cell(told, day) for day in days],
        rows=[_row(told, strip, axis, shifts) for strip in inputs.strips],
        rain=Markup(
            charts.rain(
                axis,
                _moments(inputs),
                rain.mean(axis=1),
                np.percentile(np.nan_to_num(rain), 90.0, axis=1),
                shifts,
            )
        ),
        order=[] if order is None else _order(told, order),
        proof="" if order is None else words.proof(order, told.units),
        unplanned=[] if order is None else [words.unplanned(site, one) for one in order.unplanned],
        changes=None if told.changes is None else [words.change(site, one, told.units) for one in told.changes],
    )


def _needed(told: Told) -> float:
    facts = [d.facts for d in told.decisions if "chance_needed" in d.facts]
    return facts[0]["chance_needed"] if facts else float("nan")


def _moments(inputs: MorningInputs) -> tuple[datetime, ...]:
    return tuple(times.as_datetime(hour) for hour in inputs.hour_utc)


def _midnight(inputs: MorningInputs, days: int) -> datetime:
    day = inputs.day + timedelta(days=days)
    return times.moment_utc(day, time(0), inputs.site.zone).astimezone(UTC)


def _axis(inputs: MorningInputs) -> Axis:
    """The hours of the drawings: whole days, from some before today to the end of the path."""
    moments = _moments(inputs)
    from_utc = max(_midnight(inputs, -DAYS_BACK), moments[0])
    until_utc = moments[-1] + timedelta(hours=1)
    days = []
    for n in range(-DAYS_BACK, (until_utc - from_utc).days + 1):
        at = _midnight(inputs, n)
        if at < until_utc:
            name = inputs.day + timedelta(days=n)
            days.append((at, f"{name:%a} {name.day}"))
    return Axis(from_utc=from_utc, until_utc=until_utc, now_utc=inputs.now_utc, days=tuple(days))


def _shifts(inputs: MorningInputs) -> Sequence[Interval]:
    """The working hours of every day shown."""
    axis = _axis(inputs)
    found = []
    for n in range(-DAYS_BACK, (axis.until_utc - axis.from_utc).days + 1):
        day = inputs.day + timedelta(days=n)
        if shift.is_working_day(inputs.site, day):
            start, end = shift.shift_utc(inputs.site, day)
            found.append(Interval(from_utc=start, until_utc=end, kind="shift"))
    return found


def _rain_cell(told: Told, day: object) -> tuple[str, str]:
    row = next(one for one in told.outlook if one.day == day)
    return words.amount("rain_mm", row.rain_mm, told.units), words.percent(row.rain_chance)


def _row(told: Told, strip: Strip, axis: Axis, shifts: Sequence[Interval]) -> _Row:
    site = told.inputs.site
    decision = next(d for d in told.decisions if d.strip_id == strip.id)
    mine = [row for row in told.outlook if row.strip_id == strip.id]
    needed = _needed(told)
    cells = []
    for row in mine:
        above, below = words.cell(row)
        kind = "good" if row.is_working_day and row.chance >= needed else "off" if not row.is_working_day else ""
        if not kind and below and row.chance_watered >= needed:
            kind = "wet"
        cells.append((above, below, kind))
    return _Row(
        name=strip.name,
        crew=site.crew(strip.crew_id).name,
        verdict=words.VERDICTS[decision.verdict],
        kind=decision.verdict,
        cells=tuple(cells),
        chart=Markup(charts.moisture(_path(told, strip, axis, shifts), axis)),
        lines=tuple(_lines(told, decision, strip)),
    )


def _lines(told: Told, decision: Decision, strip: Strip) -> list[str]:
    """What stands under a strip's drawing."""
    site, material = told.inputs.site, told.inputs.material(strip)
    low, high = (material.omc_pct + edge for edge in (material.window_low_pct, material.window_high_pct))
    now = "unknown" if np.isnan(decision.w_now_pct) else f"{decision.w_now_pct:.1f} %"
    band = "" if np.isnan(decision.w_p10_pct) else f" (likely {decision.w_p10_pct:.1f} to {decision.w_p90_pct:.1f} %)"
    lines = [f"{now} now{band}; window {low:.1f} to {high:.1f} %, optimum {material.omc_pct:.1f} % ({material.name})."]
    works = [] if told.order is None else [w for w in told.order.works if w.strip_id == strip.id]
    rolling = [w for w in works if w.work == Work.ROLLING]
    if rolling:
        starts = ", ".join(
            (f"lift {w.lift} " if strip.lifts > 1 else "") + words.moment(site, w.start_utc) for w in rolling
        )
        lines.append(f"Rolling planned: {starts}.")
    elif decision.next_utc is not None:
        lines.append(f"First likely hour: {words.moment(site, decision.next_utc)}.")
    return lines


def _path(told: Told, strip: Strip, axis: Axis, shifts: Sequence[Interval]) -> Path:
    """A strip's moisture hour by hour with its window, tests and planned work."""
    inputs = told.inputs
    s = inputs.strips.index(strip)
    material = inputs.material(strip)
    moments = _moments(inputs)
    first = next(k for k, at in enumerate(moments) if at >= axis.from_utc)
    members = inputs.w_pct[first:, s]
    p10, p90 = np.percentile(members, (10.0, 90.0), axis=1)
    works = () if told.order is None else told.order.works
    marked = [w for w in works if w.strip_id == strip.id and w.work in (Work.ROLLING, Work.WATERING)]
    spans = [Interval(from_utc=w.start_utc, until_utc=w.end_utc, kind=str(w.work), title=_tip(told, w)) for w in marked]
    return Path(
        name=strip.name,
        at_utc=moments[first:],
        mean=members.mean(axis=1),
        p10=p10,
        p90=p90,
        low=material.omc_pct + material.window_low_pct,
        high=material.omc_pct + material.window_high_pct,
        omc=material.omc_pct,
        readings=tuple(
            (e.at_utc, e.w_pct)
            for e in told.entries
            if isinstance(e, Reading) and e.strip_id == strip.id and axis.from_utc <= e.at_utc <= inputs.now_utc
        ),
        spans=(*shifts, *spans),
    )


def _tip(told: Told, one: PlannedWork) -> str:
    site = told.inputs.site
    return f"{words.moment(site, one.start_utc)}: {words.work(site, one, told.units)}"


def _order(told: Told, order: WorkOrder) -> list[tuple[str, list[tuple[str, str, str]]]]:
    """The order of work by day: time, crew, what."""
    site = told.inputs.site
    return [
        (day, [(words.when(site, w), site.crew(w.crew_id).name, words.work(site, w, told.units)) for w in works])
        for day, works in words.by_day(site, order)
    ]
