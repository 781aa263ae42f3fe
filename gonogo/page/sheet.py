"""A page for the pen: the day plan as a crew was told it, with room for what was done. One page a crew and day."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib import resources

import jinja2

from gonogo.records.day_plan import DayPlan
from gonogo.records.site import Crew, Site, Strip
from gonogo.units import QUANTITIES
from gonogo.wording.clock import Clock
from gonogo.wording.instruction import Instruction, instructions
from gonogo.wording.language import Speaker
from gonogo.wording.phrases import Day
from gonogo.wording.reply_words import printed

PAPERS = ("A4", "letter")
TALLEST_ROW_MM, ROOM_MM = 13.0, 190.0  # of the table's rows on the page


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetRow:
    """A strip as it stands on the page. told: water and rolling with their hours, "" where nothing is told."""

    strip: str
    badge: str
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
    depth_unit: str
    rows: tuple[SheetRow, ...]
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
    """What a page is made from. contact: whom to phone or write, "" for none.

    plan    the day plan that the day's mails tell, None where there is none yet
    chance_needed   the chance that the site asks for
    paper   "A4" or "letter"
    """

    site: Site
    crew: Crew
    day: date
    plan: DayPlan | None
    chance_needed: float = math.nan
    paper: str = "A4"
    contact: str = ""


def sheet(data: SheetData, speak: Speaker) -> str:
    """Return the page in a language and its units: complete in itself, nothing to be fetched."""
    strips = {strip.id: strip for strip in data.site.strips if strip.crew_id == data.crew.id}
    unit = {"metric": 0, "us": 1}[speak.unit_system]
    view = SheetView(
        site=data.site.name,
        crew=data.crew.name,
        date=speak.say(Day(day=data.day, form="long")),
        paper=data.paper,
        row_mm=round(min(TALLEST_ROW_MM, ROOM_MM / (len(strips) + 3)), 1),
        water_unit=QUANTITIES["litres"][unit].unit,
        density_unit=QUANTITIES["dry_density_kg_m3"][unit].unit,
        rain_unit=QUANTITIES["rain_mm"][unit].unit,
        depth_unit=QUANTITIES["thickness_m"][unit].unit,
        rows=_rows(strips, data, speak),
        contact=data.contact,
    )
    return _template().render(view=view, word=speak.word, language=speak.words.language)


def _rows(strips: dict[str, Strip], data: SheetData, speak: Speaker) -> tuple[SheetRow, ...]:
    """Return the strips in working order with what they are told; in the config's order where nothing is told."""
    if data.plan is None:
        return tuple(SheetRow(strip=_name(strip), badge="", told="") for strip in strips.values())
    clock = Clock(site=data.site, day=data.day)
    told = instructions(data.plan, strips, clock, data.chance_needed)
    rows = [_row(_name(strips[t.strip_id]), t, speak) for t in told]
    known = {t.strip_id for t in told}
    return (*rows, *(SheetRow(strip=_name(s), badge="", told="") for s in strips.values() if s.id not in known))


def _row(name: str, told: Instruction, speak: Speaker) -> SheetRow:
    water = "" if told.litres is None or told.water is None else f"{speak.say(told.litres)} {speak.say(told.water)}"
    rolling = "" if told.roll is None else f"{printed(speak.words.language, 'rolled')} {speak.say(told.roll)}"
    lines = ", ".join(filter(None, (water, rolling)))
    return SheetRow(strip=name, badge=speak.word(f"badge.{told.badge}"), told=lines)


def _name(strip: Strip) -> str:
    return strip.name if strip.name.startswith(strip.id) else f"{strip.id} {strip.name}"
