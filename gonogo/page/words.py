"""The order of work and what changed as English lines, for the terminal and the page."""

from __future__ import annotations

import math
from datetime import datetime

from gonogo import units as conversions
from gonogo.decide.keys import CAUSES, CHANGES, UNPLANNED
from gonogo.decide.water.forecast import CLEARLY
from gonogo.records.site import Site
from gonogo.records.verdict import OutlookDay
from gonogo.records.work_order import Change, PlannedWork, Unplanned, Why, Work, WorkOrder

VERDICTS = {"compact": "compact", "water": "water first", "wait": "wait"}
FLAGS = {  # marks on planned work that are worth a word on its line
    "test_first": "test first",
    "unsure": "unsure",
    "late": "after its date",
    "roller_full_today": "only if the roller gets there",
}


def amount(quantity: str, si_value: float, units: str) -> str:
    """Return a quantity rounded and with its unit as its readers are used to."""
    value, decimals, unit = conversions.shown(quantity, si_value, units)
    return "unknown" if math.isnan(value) else f"{value:,.{decimals}f} {unit}"


def percent(chance: float) -> str:
    """Return a chance in whole percent, never a certainty that it is not."""
    if math.isnan(chance):
        return "?"
    if 0.0 < chance < 0.01:
        return "<1%"
    if 0.99 < chance < 1.0:
        return ">99%"
    return f"{100.0 * chance:.0f}%"


def moment(site: Site, at_utc: datetime | None) -> str:
    """Return a moment in site time, as people say it within a fortnight."""
    return "none" if at_utc is None else f"{at_utc.astimezone(site.zone):%a %d %H:%M}"


def cell(row: OutlookDay) -> tuple[str, str]:
    """Return what a strip has on a day in two short lines: chance and hours, and the chance after watering."""
    if row.is_rolled:
        return "rolled", ""
    if not row.is_working_day:
        return "off", ""
    n_hours = math.floor(row.workable_h + 0.5) if row.workable_h > 0.0 else 0
    hours = f" {n_hours}h" if n_hours else ""
    gains = row.chance_watered > row.chance + CLEARLY
    return f"{percent(row.chance)}{hours}", f"w {percent(row.chance_watered)}" if gains else ""


def work(site: Site, one: PlannedWork, units: str) -> str:
    """Return a piece of planned work as a line without its day and time."""
    if one.work == Work.SEALING:
        return "seal and crown, leave nothing loose"
    strip = site.strip(one.strip_id)
    name = f"{strip.name}, lift {one.lift}" if strip.lifts > 1 else strip.name
    marks = "".join(f", {FLAGS[key]}" for key in one.flags if key in FLAGS)
    if one.work == Work.WATERING:
        return f"water {name}: {amount('litres', one.litres, units)}{marks}"
    return f"roll {name}: {percent(one.chance)}{marks}"


def when(site: Site, one: PlannedWork) -> str:
    """Return from when to when, in site time."""
    start, end = (at.astimezone(site.zone) for at in (one.start_utc, one.end_utc))
    return f"{start:%H:%M}-{end:%H:%M}"


def unplanned(site: Site, one: Unplanned) -> str:
    """Return a lift without a place, and why."""
    strip = site.strip(one.strip_id)
    name = f"{strip.name}, lift {one.lift}" if strip.lifts > 1 else strip.name
    is_known = one.at_utc is not None and not math.isnan(one.chance)
    best = f" (at best {percent(one.chance)}, {moment(site, one.at_utc)})" if is_known else ""
    return f"{name}: {UNPLANNED[one.reason].meaning}{best}"


def proof(order: WorkOrder, units: str) -> str:
    """Return what the order is worth and how well that is proven."""
    expected, given = (amount("area_m2", a, units) for a in (order.expected_area_m2, order.given_order_area_m2))
    if order.method == "given_order":
        return f"In the order given, since the solver found none ({order.fault}); {expected} expected in the window."
    how = "proven best" if order.gap_frac < 5e-4 else f"within {100.0 * order.gap_frac:.1f}% of the best, proven"
    return f"{expected} expected inside the window ({given} in the order given); {how}."


def change(site: Site, one: Change, units: str) -> str:
    """Return one change with its causes."""
    if one.what == "rain":
        numbers = one.numbers
        before, after = (amount("rain_mm", numbers[key], units) for key in ("rain_before_mm", "rain_after_mm"))
        day = "" if one.after_utc is None else f"{one.after_utc.astimezone(site.zone):%a %d}: "
        chances = f"{percent(numbers['chance_before'])} to {percent(numbers['chance_after'])}"
        return f"{day}rain forecast {before} to {after}, chance of a wet day {chances}"
    name = site.strip(one.strip_id).name
    lift = f", lift {one.numbers['lift']:.0f}" if "lift" in one.numbers else ""
    what = CHANGES[one.what].meaning
    if one.what == "verdict":
        what = f"{VERDICTS.get(one.before, one.before)} last time, now {VERDICTS.get(one.after, one.after)}"
    elif one.before_utc is not None or one.after_utc is not None:
        parts = [moment(site, at) for at in (one.before_utc, one.after_utc) if at is not None]
        what = f"{what}: {' to '.join(parts)}"
    causes = "; ".join(cause(site, why, units) for why in one.why)
    return f"{name}{lift}: {what}{' because ' + causes if causes else ''}"


def cause(site: Site, why: Why, units: str) -> str:
    """Return a cause with the number that tells it."""
    numbers, words = why.numbers, CAUSES[why.key].meaning
    if why.key == "reading":
        return f"{words} ({numbers['reading_w_pct']:.1f} %)"
    if why.key == "watered":
        return f"{words} ({amount('litres', numbers['litres'], units)})"
    if why.key == "rain_fell":
        return f"{words} ({amount('rain_mm', numbers['rain_mm'], units)})"
    if why.key in ("rain_more", "rain_less"):
        before, after = (amount("rain_mm", numbers[key], units) for key in ("rain_before_mm", "rain_after_mm"))
        return f"{words} ({before} to {after})"
    if why.key in ("drier", "wetter"):
        return f"{words} ({numbers['w_before_pct']:.1f} % to {numbers['w_now_pct']:.1f} %)"
    if why.at_utc is not None:
        return f"{words} ({moment(site, why.at_utc)})"
    return words


def by_day(site: Site, order: WorkOrder) -> list[tuple[str, list[PlannedWork]]]:
    """Return the works of an order by local day, each day with its name."""
    found: dict[str, list[PlannedWork]] = {}
    for one in order.works:
        found.setdefault(f"{one.start_utc.astimezone(site.zone):%a %d %b}", []).append(one)
    return list(found.items())
