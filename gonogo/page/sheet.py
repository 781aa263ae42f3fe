"""A page for the pen: what a crew was told for each strip, with room for what was done. One page a crew and day."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from importlib import resources

import jinja2

from gonogo.records.site import Crew, Site, Strip
from gonogo.records.verdict import Decision
from gonogo.units import QUANTITIES
from gonogo.wording import phrases
from gonogo.wording.clock import Clock
from gonogo.wording.language import Speaker
from gonogo.wording.phrases import Day

PAPERS = ("A4", "letter")
TALLEST_ROW_MM, ROOM_MM = 13.0, 190.0  # of the table's rows on the page


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A strip as it stands on the page. told: hours and water, "" where nothing is told."""

    strip: str
    verdict: str
    told: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetView:
    """What the page says, in the reader's words."""

    site: str
    crew: str
    date: str
    paper: str
    row_mm: float
    water_unit: str
    density_unit: str
    rain_unit: str
    rows: tuple[Row, ...]
    contact: str


@cache
def _template() -> jinja2.Template:
    text = resources.files("gonogo.page").joinpath("sheet.html").read_text("utf-8")
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return environment.from_string(text)


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetData:
    """What a page is made from. decisions: by strip what was told today; contact: whom to phone or write, "" for none.

    paper   "A4" or "letter"
    """

    site: Site
    crew: Crew
    day: date
    decisions: Mapping[str, Decision]
    paper: str = "A4"
    contact: str = ""


def sheet(data: SheetData, speak: Speaker) -> str:
    """Return the page in a language and its units: complete in itself, nothing to be fetched."""
    strips = [strip for strip in data.site.strips if strip.crew_id == data.crew.id]
    unit = {"metric": 0, "us": 1}[speak.unit_system]
    view = SheetView(
        site=data.site.name,
        crew=data.crew.name,
        date=speak.say(Day(day=data.day, form="long")),
        paper=data.paper,
        row_mm=round(min(TALLEST_ROW_MM, ROOM_MM / (len(strips) + 2)), 1),
        water_unit=QUANTITIES["litres"][unit].unit,
        density_unit=QUANTITIES["dry_density_kg_m3"][unit].unit,
        rain_unit=QUANTITIES["rain_mm"][unit].unit,
        rows=_rows(strips, data, speak),
        contact=data.contact,
    )
    return _template().render(view=view, word=speak.word, language=speak.words.language)


def _rows(strips: Sequence[Strip], data: SheetData, speak: Speaker) -> tuple[Row, ...]:
    clock = Clock(site=data.site, day=data.day)
    return tuple(_row(strip, data.decisions.get(strip.id), clock, speak) for strip in strips)


def _row(strip: Strip, decision: Decision | None, clock: Clock, speak: Speaker) -> Row:
    name = strip.id if strip.name == strip.id else f"{strip.id} {strip.name}"
    if decision is None:
        return Row(strip=name, verdict="", told="")
    hours = _hours(decision.from_utc, decision.until_utc, clock, speak)
    water = speak.say(phrases.amount("litres", decision.water.litres)) if decision.water is not None else ""
    told = ", ".join(filter(None, (hours, water)))
    return Row(strip=name, verdict=speak.word(f"verdict.{decision.verdict}"), told=told)


def _hours(from_utc: datetime | None, until_utc: datetime | None, clock: Clock, speak: Speaker) -> str:
    span = clock.span(from_utc, until_utc)
    return "" if span is None else speak.say(span)
