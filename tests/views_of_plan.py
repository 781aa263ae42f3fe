"""What each view of the day plan tells of a strip today, in one form, so that any two can be compared.

Mails, page and terminal are read as text, as a person reads them; what is printed is compared with the record, rounded
by this file's own rule. Work whose hours are over is told by none.

A new view is a function of (Scene, strip id) in VIEWS; what it does not say is left as SILENT.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
from hand_made import MEMBERS, N_HOURS

from gonogo import units
from gonogo.decide.changes import PreviousRun, changes
from gonogo.decide.inputs import MorningInputs
from gonogo.decide.judge import Judgement
from gonogo.decide.order.propose import propose
from gonogo.decide.outlook import outlook
from gonogo.decide.plan.as_planned import as_planned, order_as_planned, outlook_as_planned, with_places
from gonogo.decide.plan.build import build
from gonogo.decide.standing import standing
from gonogo.decide.today import prepare
from gonogo.decide.verdict import decide
from gonogo.mail import calendar, render, view
from gonogo.mail.items import EntryView, MorningView
from gonogo.mail.morning import Morning
from gonogo.moisture.lift_history import LiftHistory
from gonogo.moisture.unknown_work import told_work
from gonogo.page import view as page_view
from gonogo.page.screen import screen
from gonogo.page.view import Outlook, OutlookView
from gonogo.records.day_plan import Badge, DayPlan, Task
from gonogo.records.site import Recipient
from gonogo.records.verdict import Decision
from gonogo.records.work_order import Work, WorkOrder
from gonogo.soil.ensemble import StripMoisture
from gonogo.soil.error_growth import TERMS
from gonogo.wording.language import speaker
from gonogo.wording.phrases import Day
from gonogo.wording.plain import sentences

SILENT = "silent"
SPEAK = speaker("en", "metric")


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """A run with its plan and everything that is made of it.

    texts     the mails as they are read, by role, in plain text
    entries   the calendar entries
    page, terminal   the order of work there, as text; days: the table of days on the terminal
    """

    inputs: MorningInputs
    plan: DayPlan
    decisions: dict[str, Decision]
    order: WorkOrder
    texts: dict[str, str]
    entries: tuple[EntryView, ...]
    page: str
    terminal: str
    days: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A strip's instruction of today as one view gives it: times "07:00" as printed, litres as printed.

    chance        of the lift that lies there, today, without water; after it where it is watered and planned
    workable_h    hours of today that the table of days frames, None where it frames none
    planned_next  day and half of the next planned rolling after today, with its chance and whether it is tested first
    """

    badge: object = SILENT
    verdict: object = SILENT
    by: object = SILENT
    rolled: object = SILENT
    watered: object = SILENT
    litres: object = SILENT
    is_tested_first: object = SILENT
    limits: object = SILENT
    next: object = SILENT
    chance: object = SILENT
    workable_h: object = SILENT
    planned_next: object = SILENT

    def against(self, other: Told) -> list[str]:
        """Return the parts in which both speak and differ."""
        return [
            f"{name}: {getattr(self, name)} against {getattr(other, name)}"
            for name in self.__slots__
            if SILENT not in (getattr(self, name), getattr(other, name)) and getattr(self, name) != getattr(other, name)
        ]


def scene(
    inputs: MorningInputs,
    *,
    done: dict[str, int] | None = None,
    before: DayPlan | None = None,
    edition: str = "morning",
    language: str = "en",
) -> Scene:
    """Return a run made into a plan and its views. before: the plan of the morning that it re-checks."""
    speak = speaker(language, "metric")
    rolled = done or {s.id: int(inputs.is_rolled(k) == 1.0) for k, s in enumerate(inputs.strips)}
    histories = tuple(
        LiftHistory(readings=(), waterings=(), works=(), is_rolled=inputs.is_rolled(k) == 1.0)
        for k, _ in enumerate(inputs.strips)
    )
    plans = () if before is None else (before,)
    told = told_work(inputs.site, histories, plans, inputs.now_utc, inputs.setting("told_is_done_chance"))
    unknown = tuple((work, work.chance) for works in told.values() for work in works if work.is_open)
    inputs = replace(inputs, orders=standing(plans, unknown, inputs.day, {}))
    judged = decide(inputs)
    judgement = Judgement(
        decisions=judged,
        outlook=outlook(inputs),
        prepared=prepare(inputs),
        moisture=_untested(inputs),
        reading_notes=(),
        closure_error_mm=0.0,
        histories=histories,
        unknown=unknown,
    )
    proposed = propose(inputs, judged, done=rolled, before=None)
    placed = with_places(inputs.site, judged, proposed)
    plan = build(judgement, placed, proposed, edition=edition, done=rolled)
    decisions = as_planned(placed, plan)
    by_id = {d.strip_id: d for d in decisions}
    order = order_as_planned(proposed, by_id, plan, inputs.site)
    ahead_days = outlook_as_planned(judgement.outlook, plan)
    entries = calendar.entries_now((), order, inputs.site, day=inputs.day, now_utc=inputs.now_utc)
    made = view.build(
        Morning(
            site=inputs.site,
            crews=inputs.site.crews,
            plan=plan,
            decisions=decisions,
            outlook=ahead_days,
            weather=inputs.weather,
            now_utc=inputs.now_utc,
            order=order,
            entries=entries,
        )
    )
    ahead = page_view.build(
        Outlook(
            inputs=inputs, decisions=decisions, outlook=ahead_days, order=order, changes=None, entries=(), plan=plan
        )
    )
    return Scene(
        inputs=inputs,
        plan=plan,
        decisions=by_id,
        order=order,
        texts={role: _text(made, role, inputs.now_utc, language) for role in ("superintendent", "driver", "planner")},
        entries=made.entries,
        page=_order_of_work(" ".join(re.sub(r"<[^>]+>", " ", page_of(ahead)).split())),
        terminal=_order_of_work(" ".join(screen(ahead, speak).split())),
        days=screen(ahead, speak).replace("\u00a0", " "),
    )


def _untested(inputs: MorningInputs) -> StripMoisture:
    """Return the moisture of a morning made by hand: the paths that it decides on, and no test that did not fit."""

    def with_end(paths: np.ndarray) -> np.ndarray:
        return np.concatenate([paths, paths[-1:]])

    n_hours, n_strips, _ = inputs.w_pct.shape
    return StripMoisture(
        w_pct=with_end(inputs.w_pct),
        w_top_pct=with_end(inputs.w_top_pct),
        w_base_pct=with_end(inputs.w_base_pct),
        closure_error_mm=0.0,
        knowledge=(),
        error_terms=np.full((n_hours + 1, n_strips, len(TERMS)), np.nan),
        reading_flags=(),
    )


# Before the first hours of work are over, while they are, and when nothing but their record is left to ask for.
RECHECKED_AT_H = (9.0, 7.5, 11.25, 13.0, 14.75)


def recheck(morning: Scene, at_utc: datetime) -> Scene:
    """Return the re-check of a morning: its orders whose hour has come stand, whatever the inputs say now."""
    return scene(replace(morning.inputs, now_utc=at_utc), before=morning.plan, edition="look-0900")


def _text(made: MorningView, role: str, at_utc: datetime, language: str) -> str:
    reader = Recipient(name="Ada Reader", address="ada@example.com", role=role, language=language)
    return render.message(
        made, reader, sender="gonogo@example.com", reply_to="", message_id="<a@example.com>", date_utc=at_utc
    ).text


def page_of(ahead: OutlookView) -> str:
    """Return the order of work as the page's template has it, without the charts, which draw and say no hours."""
    if ahead.order is None:
        return ""
    lines = [
        f"{SPEAK.say(day.day)} " + " ".join(sentences(SPEAK, work.line, work.notes) for work in day.works)
        for day in ahead.order.days
    ]
    return "Order of work " + " ".join(lines)


def _order_of_work(text: str) -> str:
    """Return today's part of the order of work as a page or a screen tells it."""
    return text.replace("\u00a0", " ").partition("Order of work")[2].partition("Not scheduled")[0]


# --- views -----------------------------------------------------------------------------------------------------


def _clock(at_utc: datetime | None, to: str) -> str | None:
    """Return a moment as it is to be printed: to five minutes, never longer than it is."""
    if at_utc is None:
        return None
    steps = at_utc.timestamp() / 300.0
    whole = {"later": math.ceil, "earlier": math.floor, "nearest": lambda v: math.floor(v + 0.5)}[to](steps)
    return f"{datetime.fromtimestamp(300.0 * whole, tz=UTC):%H:%M}"


def _litres(litres: float) -> str:
    value, _, _ = units.shown("litres", litres, "metric")
    return f"{value:,.0f}"


def of_plan(shown: Scene, strip_id: str) -> Told:
    """The record itself, in printed steps."""
    strip = shown.plan.strip(strip_id)
    assert strip is not None
    to_do = [job for job in shown.plan.jobs_of(strip_id) if job.end_utc > shown.inputs.now_utc]
    jobs = {job.task: job for job in to_do}
    water, rolling = jobs.get(Task.WATER) or jobs.get(Task.DAMP), jobs.get(Task.ROLL)
    test = strip.test or (strip.new_lift.test if strip.new_lift is not None else None)
    by = {
        "compact": strip.roll_by_utc,
        "water_first": strip.water_by_utc,
        "test": None if test is None else test.by_utc,
    }.get(strip.badge)
    is_next_told = strip.badge == Badge.WAIT and strip.next is not None
    is_watered = strip.verdict == "water"
    after_water = None if rolling is None else rolling.chance
    chance = after_water if is_watered else strip.chance_in_window
    is_rolled = shown.inputs.is_rolled([s.id for s in shown.inputs.strips].index(strip_id)) == 1.0
    return Told(
        badge=strip.badge.value,
        verdict=strip.verdict.value,
        by=_clock(by, "earlier"),
        rolled=None if rolling is None else (_clock(rolling.start_utc, "later"), _clock(rolling.end_utc, "earlier")),
        watered=None if water is None else (_clock(water.start_utc, "nearest"), _clock(water.end_utc, "later")),
        litres=None if water is None else _litres(water.litres),
        is_tested_first=rolling is not None and rolling.is_after_test,
        limits=None if test is None else f"{test.low_pct:.1f}–{test.high_pct:.1f}",
        next=_half(strip.next.day, strip.next.half) if is_next_told and strip.next else None,
        chance=SILENT if is_rolled or chance is None else _chance(chance),
        planned_next=SILENT
        if strip.next is None or not strip.next.is_planned
        else Ahead(when=_half(strip.next.day, strip.next.half)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """The next planned rolling after today; what a view does not say of it is SILENT."""

    when: str
    chance: object = SILENT
    is_tested_first: object = SILENT

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Ahead):
            return NotImplemented
        return self.when == other.when and all(
            SILENT in (mine, its) or mine == its
            for mine, its in (
                (self.chance, other.chance),
                (self.is_tested_first, other.is_tested_first),
            )
        )

    __hash__ = None  # type: ignore[assignment]


def _half(day: date, half: str) -> str:
    return f"{day:%a} {day.day} {half}"


def _chance(share: float) -> object:
    """Return a chance as a sentence has it: whole per cent, never 0 or 100."""
    if math.isnan(share):
        return SILENT
    whole = math.floor(100.0 * share + 0.5 + 1e-9)
    return "under 1%" if whole < 1 else "over 99%" if whole > 99 else f"{whole}%"


CHANCE = r"((?:under |over )?\d+%)"


def _of_table(text: str, strip_id: str) -> tuple[object, object]:
    """Return (chance, workable hours) of today in the table of days; SILENT where a word stands in their place."""
    row = re.search(rf"^{strip_id} field +(\S+).*\n +(\d+ h|\S+)", text, flags=re.MULTILINE)
    if row is None:
        return SILENT, SILENT
    cell = row[1].replace("<", "under ").replace(">", "over ")
    if not re.fullmatch(rf"{CHANCE}\*?", cell):
        return SILENT, SILENT
    return cell.rstrip("*"), row[2] if cell.endswith("*") else None


def of_verdict(shown: Scene, strip_id: str) -> Told:
    """The stored verdict."""
    decision = shown.decisions[strip_id]
    water = decision.water
    return Told(
        verdict=decision.verdict.value,
        watered=None if water is None else (_clock(water.start_utc, "nearest"), _clock(water.finish_utc, "later")),
        litres=None if water is None else _litres(water.litres),
        chance=SILENT
        if decision.verdict == "water" or decision.reason == "already_rolled"
        else _chance(decision.facts.get("chance_in_window", math.nan)),
    )


BADGES = {"COMPACT": "compact", "WATER FIRST": "water_first", "TEST": "test", "WAIT": "wait"}
TIMES = r"(\d\d:\d\d)–(\d\d:\d\d)"


def of_mail(shown: Scene, strip_id: str) -> Told:
    """The superintendent's first screen, read from its text."""
    above = shown.texts["superintendent"].partition("Behind it")[0]
    marks = "|".join(BADGES)
    rows = re.split(rf"^(?=(?:\[|\(\(|<|-) (?:{marks}) )", above, flags=re.MULTILINE)
    found = next((" ".join(r.split()) for r in rows if f" {strip_id} field" in r.splitlines()[0]), None)
    if found is None:
        return Told(badge="done")
    behind = " ".join(shown.texts["superintendent"].partition("Behind it")[2].split())
    own = re.split(r" - (?=\w+: )", behind.partition(f"- {strip_id}: ")[2])[0].partition("Moisture in")[0]
    chance = re.search(rf"while it is rolled \({CHANCE};|Rolled today: inside {CHANCE}", own)
    row = re.split(r"Seal |Done: |\*{9}|No rain since|To come:", found)[0]
    half = r"(\w+ \d+ \w+)"
    after = rf"(?: by (\d\d:\d\d))?(?: until (?:about {half}|later today))?(?: likely back (?:about {half}|today))?"
    head = re.match(rf"\W+({marks})\W+{strip_id} field{after}", row)
    assert head is not None, row
    rolled = re.search(rf"[Rr]oll {TIMES}", row)
    water = re.search(rf"([\d,]+) L, {TIMES}", row)
    damp = re.search(r"Damp it: ([\d,]+) L, (\d\d:\d\d)", row)
    limits = re.search(r"if ([\d.]+–[\d.]+)\.|([\d.]+–[\d.]+) roll", row)
    litres = water or damp
    return Told(
        badge=BADGES[head[1]],
        by=head[2] if BADGES[head[1]] != "wait" else SILENT,
        rolled=None if rolled is None else (rolled[1], rolled[2]),
        watered=(water[2], water[3]) if water else SILENT if damp else None,
        litres=None if litres is None else litres[1],
        is_tested_first=SILENT if rolled is None else limits is not None,
        limits=None if limits is None else limits[1] or limits[2],
        next=SILENT if BADGES[head[1]] != "wait" or " today" in head[0] else head[3] or head[4],
        chance=SILENT if chance is None else chance[1] or chance[2],
    )


def of_driver(shown: Scene, strip_id: str) -> Told:
    """The driver's cards, read from their text."""
    text = " ".join(shown.texts["driver"].split())
    total = re.search(rf"(?:^|\n|field \W+|demo |Demo ){strip_id}: \d+ loads?, ([\d,]+) L", text)
    cards = re.split(r"(?=\d+\. \w+ field: [\d,]+ L|!! STOP AND CALL)", text)
    own = next((c for c in cards if f"{strip_id} field: " in c and "LOAD 1" in c), "")
    heading = re.search(rf"\d+\. {strip_id} field: ([\d,]+) L", text)
    card = re.search(r"on the strip (\d\d:\d\d)", own)
    if card is None:
        return Told(watered=None, litres=None)
    water = of_plan(shown, strip_id).watered
    assert isinstance(water, tuple), "a card for a strip that the plan does not water"
    litres = heading[1] if heading is not None else total[1] if total is not None else None
    return Told(watered=(card[1], water[1]), litres=litres or SILENT)


def of_calendar(shown: Scene, strip_id: str) -> Told:
    """The calendar entries of today, with their titles."""
    own = [e for e in shown.entries if f"/{strip_id}/" in e.key and e.day == shown.inputs.day and not e.is_cancelled]
    rolling = next((e for e in own if e.kind == Work.ROLLING), None)
    water = next((e for e in own if e.kind == Work.WATERING), None)
    litres = None if water is None else re.search(r"([\d,]+)\sL", SPEAK.say(water.title))
    later = [e for e in shown.entries if f"/{strip_id}/" in e.key and e.day > shown.inputs.day and not e.is_cancelled]
    ahead = min((e for e in later if e.kind == Work.ROLLING), key=lambda e: e.start_utc, default=None)
    return Told(
        rolled=None if rolling is None else (f"{rolling.start_utc:%H:%M}", f"{rolling.end_utc:%H:%M}"),
        watered=SILENT if water is None else (f"{water.start_utc:%H:%M}", f"{water.end_utc:%H:%M}"),
        litres=SILENT if litres is None else litres[1],
        is_tested_first=SILENT if rolling is None else "(test first)" in SPEAK.say(rolling.title),
        planned_next=None
        if ahead is None
        else Ahead(
            when=_half(ahead.day, "morning" if ahead.start_utc.hour < 12 else "afternoon"),
            is_tested_first=SILENT if "(test first)" not in SPEAK.say(ahead.title) else True,
        ),
    )


def _of_order(text: str, shown: Scene, strip_id: str) -> Told:
    today = f"{SPEAK.say(Day(day=shown.inputs.day))}".replace("\u00a0", " ")
    tomorrow = re.escape(f"{SPEAK.say(Day(day=shown.inputs.day + timedelta(days=1)))}".replace("\u00a0", " ")[:3])
    of_today = re.split(rf" {tomorrow} \d+ \w+ ", text.partition(today)[2])[0] if today in text else ""
    rolled = re.search(rf"(\d\d:\d\d) to (\d\d:\d\d): roll {strip_id} field(, lift \d+)? \({CHANCE} chance\)", of_today)
    water = re.search(rf"(\d\d:\d\d) to (\d\d:\d\d): water {strip_id} field(?:, lift \d+)?, ([\d,]+) L", of_today)
    return Told(
        rolled=None if rolled is None else (rolled[1], rolled[2]),
        watered=SILENT if water is None else (water[1], water[2]),
        litres=SILENT if water is None else water[3],
        chance=SILENT if rolled is None or _is_new_lift(shown, strip_id) else rolled[4],
        planned_next=_ahead_in_order(text, shown, strip_id),
    )


def _is_new_lift(shown: Scene, strip_id: str) -> bool:
    """Whether what is rolled today is a lift still to be spread: its chance is another lift's."""
    return shown.inputs.is_rolled([s.id for s in shown.inputs.strips].index(strip_id)) == 1.0


def _ahead_in_order(text: str, shown: Scene, strip_id: str) -> object:
    """Return the first rolling of a strip after today in an order of work by days."""
    days = re.split(r"\b((?:Mon|Tue|Wed|Thu|Fri|Sat|Sun) \d+) \w{3} (?=\w)", text)
    today = f"{shown.inputs.day:%a} {shown.inputs.day.day}"
    for day, works in zip(days[1::2], days[2::2], strict=False):
        line = rf"(morning|afternoon): roll {strip_id} field(?:, lift \d+)? \({CHANCE} chance\)\.([^:]*)"
        found = None if day == today else re.search(line, works, flags=re.IGNORECASE)
        if found is not None:
            tested = True if "Test before the first pass." in found[3] else SILENT
            return Ahead(when=f"{day} {found[1].lower()}", chance=found[2], is_tested_first=tested)
    return None


def of_page(shown: Scene, strip_id: str) -> Told:
    """The order of work on the page."""
    return _of_order(shown.page, shown, strip_id)


def of_terminal(shown: Scene, strip_id: str) -> Told:
    """The order of work on the terminal."""
    return _of_order(shown.terminal, shown, strip_id)


def of_days(shown: Scene, strip_id: str) -> Told:
    """The table of days on the terminal."""
    chance, hours = _of_table(shown.days, strip_id)
    return Told(chance=chance, workable_h=hours)


def of_planner_days(shown: Scene, strip_id: str) -> Told:
    """The planner's table of days."""
    text = shown.texts["planner"].partition("Chance of a workable")[2]
    chance, hours = _of_table(text, strip_id)
    return Told(chance=chance, workable_h=hours)


def of_planner(shown: Scene, strip_id: str) -> Told:
    """The planner's half days: that a strip is rolled today, with which water."""
    order = " ".join(shown.texts["planner"].split()).partition("Order of work")[2].partition("Chance of a workable")[0]
    day = f"{shown.inputs.day:%a} {shown.inputs.day.day} {shown.inputs.day:%b} "
    halves = re.split(r"(?=\b(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun) \d+ \w+ (?:morning|afternoon))", order)
    line = rf"- {strip_id}(?: lift \d+)? {CHANCE}(?: \(([^)]*)\))?"
    own = re.search(line, " ".join(h for h in halves if h.startswith(day)))
    notes = "" if own is None or own[2] is None else own[2]
    litres = re.search(r"after ([\d,]+) L", notes)
    ahead: object = None
    for half in halves:
        head = re.match(r"(\w+ \d+) \w+ (morning|afternoon)", half)
        found = re.search(line, half)
        if head is not None and found is not None and not half.startswith(day):
            tested = True if "test first" in (found[2] or "") else SILENT
            ahead = Ahead(when=f"{head[1]} {head[2]}", chance=found[1], is_tested_first=tested)
            break
    return Told(
        rolled=None if own is None else SILENT,
        litres=SILENT if litres is None else litres[1],
        is_tested_first=True if "test first" in notes else SILENT,
        chance=SILENT if own is None or "to be spread" in notes else own[1],
        planned_next=ahead,
    )


VIEWS: dict[str, Callable[[Scene, str], Told]] = {
    "plan": of_plan,
    "verdict": of_verdict,
    "mail": of_mail,
    "driver": of_driver,
    "planner": of_planner,
    "calendar": of_calendar,
    "page": of_page,
    "terminal": of_terminal,
    "days": of_days,
    "planner's days": of_planner_days,
}


def contradictions(shown: Scene) -> list[str]:
    """Return every part in which two views of a strip tell different things."""
    found = []
    for strip in shown.inputs.strips:
        told = {name: of(shown, strip.id) for name, of in VIEWS.items()}
        names = list(told)
        for k, first in enumerate(names):
            for second in names[k + 1 :]:
                found += [f"{strip.id} {first}/{second} {part}" for part in told[first].against(told[second])]
    return found


def change_contradictions(before: Scene, after: Scene) -> list[str]:
    """Return the change lines between two runs whose "after" is not what the later plan says."""
    sides = [
        PreviousRun(at_utc=s.inputs.now_utc, decisions=tuple(s.decisions.values()), outlook=(), order=s.order)
        for s in (before, after)
    ]
    changed = changes(after.inputs.site, *sides, entries=(), fallen_mm=(0.0, 0.0), settings=after.inputs.settings)
    found = []
    for change in changed:
        strip = after.plan.strip(change.strip_id)
        if strip is None:
            continue
        now = {
            "verdict": (change.after, strip.verdict.value),
            "window": ((change.after_utc, change.after_until_utc), (strip.roll_from_utc, strip.roll_by_utc)),
            "litres": (
                round(change.numbers.get("after_litres", 0.0)),
                round(sum(job.litres for job in after.plan.jobs_of(strip.strip_id))),
            ),
        }.get(change.what)
        if now is not None and now[0] != now[1]:
            found.append(f"{change.strip_id} {change.what}: {now[0]} against {now[1]}")
    return found


def drawn(
    rng: np.random.Generator, morning: Callable[..., MorningInputs], make_strip: Callable[..., Any]
) -> MorningInputs:
    """Return a morning with one to five strips of any moisture, drying or wetting by the hour, weather and history."""
    n = int(rng.integers(1, 6))
    hours = N_HOURS
    rain = np.zeros((hours, MEMBERS))
    for _ in range(int(rng.integers(0, 4))):
        first = int(rng.integers(24, hours - 8))
        rain[first : first + int(rng.integers(1, 8))] = rng.uniform(0.0, 4.0) * (
            rng.random(MEMBERS) < rng.uniform(0.1, 1.0)
        )
    strips = [
        make_strip(
            id=f"N{k}",
            name=f"N{k} field",
            length_m=float(rng.uniform(60, 400)),
            width_m=float(rng.uniform(4, 14)),
            lifts=int(rng.integers(1, 4)),
            priority=int(rng.integers(1, 6)),
        )
        for k in range(n)
    ]
    return morning(
        _drifting(rng, n, hours),
        sd_pct=float(rng.uniform(0.1, 1.5)),
        strips=strips,
        rain_mm=rain,
        reading_age_h=rng.choice([5.0, 20.0, 60.0, np.inf], n),
        rained_since_reading_mm=rng.choice([0.0, 0.0, 5.0, 30.0], n),
        rolled=rng.choice([0.0, 0.0, 0.0, 1.0], n),
        work_unknown=rng.choice([0.0, 0.0, 0.0, 1.0], n),
        et0_mm=float(rng.uniform(0.02, 0.6)),
    )


def _drifting(rng: np.random.Generator, n_strips: int, n_hours: int) -> np.ndarray:
    """Return water contents that change from hour to hour, so that the hours of a day differ in chance (H, S, 1)."""
    start = rng.uniform(9.0, 18.0, n_strips)
    per_hour = rng.choice([0.0, 1.0], n_strips) * rng.uniform(-0.3, 0.2, n_strips)
    since = np.clip(np.arange(n_hours) - 24.0, 0.0, 36.0)
    return np.clip(start + since[:, None] * per_hour, 4.0, 25.0)[:, :, None]
