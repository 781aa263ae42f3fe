"""From the store to what a score is made from: what each morning foresaw, beside what was found later."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

import sqlalchemy as sa

from gonogo import times
from gonogo.book.export import Covered
from gonogo.book.score import LEADS, Evidence, RainPair, TestPair, VerdictTested
from gonogo.outgoing.frame import MORNING
from gonogo.records.field import Entry, GaugeRain, Reading, SurfaceWork, Watering
from gonogo.records.shift import shift_utc
from gonogo.records.site import Site, Strip
from gonogo.records.verdict import Decision, OutlookDay, Verdict
from gonogo.store import history, runs, span

WET_REASONS = ("too_wet",)  # reasons that a test above the window confirms


@dataclass(frozen=True, slots=True, kw_only=True)
class Foreseen:
    """What one morning stored: its verdicts, and its outlook by strip and date."""

    day: date
    at_utc: datetime
    decisions: dict[str, Decision]
    outlook: dict[tuple[str, date], OutlookDay]


def gathered(connection: sa.Connection, covered: Covered, readings: Sequence[Reading]) -> Evidence:
    """Return the evidence of some days. readings: those that the config gives."""
    site = covered.site
    entries = (*readings, *history.entries(connection, site.id))
    tests: list[TestPair] = []
    rain: list[RainPair] = []
    verdicts: list[VerdictTested] = []
    earlier: list[Foreseen] = []
    for n in range(-max(LEADS), (covered.last - covered.first).days + 1):
        day = covered.first + timedelta(days=n)
        earlier = [seen for seen in earlier if (day - seen.day).days <= max(LEADS)]
        earlier += _foreseen(connection, site, day)
        if n < 0:
            continue
        tests += _tests(site, day, earlier, entries)
        rain += _rain(site, day, earlier, entries)
        verdicts += _verdicts(site, day, earlier, entries)
    n_mails, n_on_time = _mails(connection, covered)
    return Evidence(
        tests=tuple(tests), rain=tuple(rain), verdicts=tuple(verdicts), n_mails=n_mails, n_mails_on_time=n_on_time
    )


def _foreseen(connection: sa.Connection, site: Site, day: date) -> Iterator[Foreseen]:
    """What the morning of a date stored, nothing where it had no verdict."""
    for run in span.runs_of_day(connection, site.id, day):
        if run.edition == MORNING and run.finished_utc is not None:
            outlook = {(o.strip_id, o.day): o for o in runs.outlook(connection, run.id)}
            decisions = {d.strip_id: d for d in runs.decisions(connection, run.id) if d.facts}
            yield Foreseen(day=day, at_utc=run.finished_utc, decisions=decisions, outlook=outlook)


def _tests(site: Site, day: date, earlier: Sequence[Foreseen], entries: Sequence[Entry]) -> Iterator[TestPair]:
    """The tests of a date beside what each morning of a scored lead foresaw of them."""
    for strip in site.strips:
        material = site.material(strip.material_id)
        low, high = material.omc_pct + material.window_low_pct, material.omc_pct + material.window_high_pct
        for test in _of_day(site, strip, day, entries):
            for seen in earlier:
                lead = (day - seen.day).days
                if lead not in LEADS or test.at_utc <= seen.at_utc or _is_touched(strip, seen.at_utc, test, entries):
                    continue
                told = _told(seen, strip.id, day)
                if told is not None:
                    yield TestPair(
                        day=day,
                        lead_days=lead,
                        foreseen_pct=told[0],
                        low_pct=told[1],
                        high_pct=told[2],
                        last_pct=_last_pct(strip, seen.at_utc, entries),
                        measured_pct=test.w_pct,
                        chance=told[3],
                        is_inside=low <= test.w_pct <= high,
                    )


def _told(seen: Foreseen, strip_id: str, day: date) -> tuple[float, float, float, float] | None:
    """Mean, 10 % and 90 % of the content on a date, and the chance, as a morning stored them; None where it did not."""
    decision, ahead = seen.decisions.get(strip_id), seen.outlook.get((strip_id, day))
    if day == seen.day and decision is not None:
        chance = decision.facts.get("chance_in_window", math.nan)
        found = (decision.w_now_pct, decision.w_p10_pct, decision.w_p90_pct, chance)
    elif ahead is not None and not ahead.is_rolled:
        found = (ahead.w_mean_pct, ahead.w_p10_pct, ahead.w_p90_pct, ahead.chance)
    else:
        return None
    return None if math.isnan(sum(found)) else found


def _of_day(site: Site, strip: Strip, day: date, entries: Sequence[Entry]) -> list[Reading]:
    """A strip's moisture tests of a date; those with a density are of a rolled lift and left out."""
    return [
        entry
        for entry in entries
        if isinstance(entry, Reading)
        and entry.strip_id == strip.id
        and entry.dry_density_kg_m3 is None
        and times.local_date(entry.at_utc, site.zone) == day
    ]


def _is_touched(strip: Strip, since_utc: datetime, test: Reading, entries: Sequence[Entry]) -> bool:
    """Whether water or work came between a morning and a test."""
    return any(
        isinstance(entry, Watering | SurfaceWork)
        and entry.strip_id == strip.id
        and since_utc < entry.at_utc <= test.at_utc
        for entry in entries
    )


def _last_pct(strip: Strip, until_utc: datetime, entries: Sequence[Entry]) -> float:
    """The last test of a strip up to a moment that no new lift has overtaken, NaN where there is none."""
    spread = [
        e.at_utc
        for e in entries
        if isinstance(e, SurfaceWork) and e.strip_id == strip.id and e.work == "spread" and e.at_utc <= until_utc
    ]
    own = [
        e
        for e in entries
        if isinstance(e, Reading) and e.strip_id == strip.id and max(spread, default=e.at_utc) <= e.at_utc <= until_utc
    ]
    return max(own, key=lambda test: test.at_utc).w_pct if own else math.nan


def _rain(site: Site, day: date, earlier: Sequence[Foreseen], entries: Sequence[Entry]) -> Iterator[RainPair]:
    """The rain of a date as each morning foresaw it, where the gauge covers all of the date."""
    start, end = (times.moment_utc(on, time(0), site.zone) for on in (day, day + timedelta(days=1)))
    covered, caught = timedelta(), 0.0
    for period in entries:
        if isinstance(period, GaugeRain):
            common = min(period.until_utc, end) - max(period.from_utc, start)
            if common > timedelta():
                covered += common
                caught += period.rain_mm * (common / (period.until_utc - period.from_utc))
    if covered < end - start:
        return
    for seen in earlier:
        lead = (day - seen.day).days
        told = next((o for (_, on), o in seen.outlook.items() if on == day), None)
        if lead in LEADS and told is not None and not math.isnan(told.rain_mm):
            yield RainPair(lead_days=lead, foreseen_mm=told.rain_mm, chance=told.rain_chance, gauge_mm=caught)


def _verdicts(site: Site, day: date, earlier: Sequence[Foreseen], entries: Sequence[Entry]) -> Iterator[VerdictTested]:
    """The verdicts of a date that its first test after the mail, before any work, confirmed or refuted."""
    mornings = [seen for seen in earlier if seen.day == day]
    for strip in site.strips:
        for seen in mornings:
            decision = seen.decisions.get(strip.id)
            later = [t for t in _of_day(site, strip, day, entries) if t.at_utc > seen.at_utc]
            first = min(later, key=lambda test: test.at_utc, default=None)
            if decision is None or first is None or _is_touched(strip, seen.at_utc, first, entries):
                continue
            found = _judged(site, strip, decision, first)
            if found is not None:
                yield VerdictTested(
                    day=day,
                    strip_id=strip.id,
                    verdict=decision.verdict.value,
                    is_confirmed=found,
                    litres_told=_litres(decision),
                    litres_right=_litres_right(strip, decision, first),
                )


def _judged(site: Site, strip: Strip, decision: Decision, test: Reading) -> bool | None:
    """Whether a test bears a verdict out; None for one that waits for another cause than the soil being too wet."""
    material = site.material(strip.material_id)
    low, high = material.omc_pct + material.window_low_pct, material.omc_pct + material.window_high_pct
    if decision.verdict is Verdict.COMPACT:
        return low <= test.w_pct <= high
    if decision.verdict is Verdict.WATER:
        return test.w_pct < low
    return test.w_pct > high if decision.reason in WET_REASONS else None


def _litres(decision: Decision) -> float:
    return decision.water.litres if decision.verdict is Verdict.WATER and decision.water is not None else math.nan


def _litres_right(strip: Strip, decision: Decision, test: Reading) -> float:
    """The dose that the test would have given: the told one, and what the lift held more or less than was taken."""
    if math.isnan(_litres(decision)):
        return math.nan
    per_pct = strip.dry_mass_kg_m2 * strip.area_m2 / 100.0  # 1 kg of water is 1 litre
    return max(_litres(decision) + (decision.w_now_pct - test.w_pct) * per_pct, 0.0)


def _mails(connection: sa.Connection, covered: Covered) -> tuple[int, int]:
    """Mails put for mornings, and how many of them went before the shift began."""
    site = covered.site
    bounds = (times.moment_utc(on, time(0), site.zone) for on in (covered.first, covered.last + timedelta(days=1)))
    n_mails = n_on_time = 0
    for mail in span.mails(connection, site.id, *bounds):
        if mail.kind == MORNING:
            start_utc, _ = shift_utc(site, times.local_date(mail.deadline_utc, site.zone))
            n_mails += 1
            n_on_time += mail.state == "sent" and mail.settled_utc is not None and mail.settled_utc <= start_utc
    return n_mails, n_on_time
