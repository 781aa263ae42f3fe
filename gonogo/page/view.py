"""The outlook of a site as page and terminal show it: numbers rounded, sentences chosen, in no language yet."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from gonogo.decide.inputs import MorningInputs
from gonogo.records.day_plan import DayPlan
from gonogo.records.field import Entry
from gonogo.records.site import Site
from gonogo.records.verdict import Decision, OutlookDay
from gonogo.records.work_order import Change, WorkOrder
from gonogo.wording import order as order_wording
from gonogo.wording import phrases, sky, strips
from gonogo.wording.changes import changes_view
from gonogo.wording.clock import Clock
from gonogo.wording.horizon import RAIN_DAY_MM, horizon
from gonogo.wording.hour_bar import hour_bar
from gonogo.wording.instruction import Instruction, instructions
from gonogo.wording.items import ChangeView, DayView, HourBar, OrderView, RowView, SkyView, StripView
from gonogo.wording.phrases import Amount, Chance, Day, Moment, Phrase, phrase

CAUTIONS = ("advice", "deciders", "stop", "water")


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What an outlook is made from.

    order, changes   None where there is none
    plan             the day plan; None where making it failed
    entries          everything recorded; the readings of the hours shown become dots
    """

    inputs: MorningInputs
    decisions: tuple[Decision, ...]
    outlook: tuple[OutlookDay, ...]
    order: WorkOrder | None
    changes: tuple[Change, ...] | None
    entries: tuple[Entry, ...]
    plan: DayPlan | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlookView:
    """What an outlook says. strips and rows stand in the order of the site's strips; crews: the crew of each strip.

    bars   the bar of today's hours of each crew that has anything in it; told: today's instruction of each strip
    """

    site: str
    day: Day
    now: Moment
    zone: str
    weather: SkyView
    needed: Chance
    days: tuple[DayView, ...]
    rows: tuple[RowView, ...]
    rain_floor: Amount
    strips: tuple[StripView, ...]
    crews: tuple[str, ...]
    order: OrderView | None
    changes: tuple[ChangeView, ...] | None
    cautions: tuple[Phrase, ...]
    bars: tuple[tuple[str, HourBar], ...] = ()
    told: Mapping[str, Instruction] = field(default_factory=dict)

    @property
    def strip_rows(self) -> tuple[tuple[StripView, RowView], ...]:
        """The strips that have days, with these."""
        by_id = {strip.id: strip for strip in self.strips}
        return tuple((by_id[row.id], row) for row in self.rows if row.id in by_id)


def build(data: Outlook) -> OutlookView:
    """Return the view of an outlook."""
    inputs, site = data.inputs, data.inputs.site
    clock = Clock(site=site, day=inputs.day)
    own = {strip.id: strip for strip in site.strips}
    by_strip = {decision.strip_id: decision for decision in data.decisions}
    crews = {strip.id: site.crew(strip.crew_id) for strip in site.strips}
    shown = tuple(strips.strip(by_strip[s.id], s, site, clock) for s in site.strips if s.id in by_strip)
    needed = next((d.facts["chance_needed"] for d in data.decisions if "chance_needed" in d.facts), math.nan)
    days, rows = horizon(data.outlook, own, clock, needed, {strip.id: strip for strip in shown})
    crew_ids = [crew.id for crew in site.crews]
    return OutlookView(
        site=site.name,
        day=Day(day=inputs.day, form="long"),
        now=phrases.moment(inputs.now_utc, site.zone, inputs.day, step_min=1),
        zone=site.zone.key,
        weather=sky.today(inputs.weather, site, inputs.day, inputs.now_utc),
        needed=phrases.chance(needed),
        days=days,
        rows=rows,
        rain_floor=phrases.amount("rain_mm", RAIN_DAY_MM),
        strips=shown,
        crews=tuple(crews[strip.id].name for strip in shown),
        order=None if data.order is None else order_wording.order_view(data.order, crew_ids, own, clock),
        changes=None if data.changes is None else changes_view(data.changes, own, clock, {}),
        cautions=tuple(phrase(f"caution.{caution}") for caution in CAUTIONS),
        bars=() if data.plan is None else tuple(_bars(site, data.plan, clock)),
        told={} if data.plan is None else {told.strip_id: told for told in instructions(data.plan, own, clock, needed)},
    )


def _bars(site: Site, plan: DayPlan, clock: Clock) -> Iterator[tuple[str, HourBar]]:
    """Yield the crews that have anything to do today, or rain in it, with their bars of hours."""
    for crew in site.crews:
        own = {strip.id: strip for strip in site.strips if strip.crew_id == crew.id}
        bar = hour_bar(plan, own, (crew.id,), clock) if own else None
        if bar is not None:
            yield crew.name, bar
