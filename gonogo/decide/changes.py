"""What is another than it was told last time, and why: two runs side by side, with what was recorded between them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time

from gonogo import times
from gonogo.records.field import Entry, Reading, SurfaceWork, Watering
from gonogo.records.site import Site
from gonogo.records.verdict import Decision, OutlookDay, Verdict
from gonogo.records.work_order import Change, PlannedWork, Why, Work, WorkOrder

# What is worth a word: our own choices. A reading of the same lift repeats to about half a point.
RAIN_MOVED_MM = 2.0
RAIN_CHANCE_MOVED = 0.25
RAIN_FELL_MM = 1.0
MOVED_PCT = 0.05  # a rise that a printed tenth shows; smaller ones are rounding, on frozen ground for one
MOISTURE_MOVED_PCT = 0.3
RAIN_DAYS_AT_MOST = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What one run said of a site, and when. order None = it proposed none."""

    at_utc: datetime
    decisions: tuple[Decision, ...]
    outlook: tuple[OutlookDay, ...]
    order: WorkOrder | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sides:
    """Both runs by strip, lift and day."""

    site: Site
    before: Mapping[str, Decision]
    now: Mapping[str, Decision]
    rain_before: Mapping[date, tuple[float, float]]
    rain_now: Mapping[date, tuple[float, float]]
    rained_mm: float
    events: Mapping[str, tuple[Why, ...]]


def changes(site: Site, before: Said, now: Said, *, entries: Sequence[Entry], rained_mm: float) -> tuple[Change, ...]:
    """Return what changed between two runs, the site's rain first, then strip by strip in their order.

    entries    everything recorded for the site; what lies between the two runs counts
    rained_mm  rain that fell between the two runs [mm], NaN = unknown
    """
    between = [e for e in entries if before.at_utc < _entered_utc(e) <= now.at_utc]
    sides = _Sides(
        site=site,
        before={d.strip_id: d for d in before.decisions},
        now={d.strip_id: d for d in now.decisions},
        rain_before=_rain(before.outlook),
        rain_now=_rain(now.outlook),
        rained_mm=rained_mm,
        events={strip.id: _events(strip.id, between) for strip in site.strips},
    )
    found = _rain_changes(sides)
    moved = _plan_changes(sides, before, now)
    for strip in site.strips:
        old, new = sides.before.get(strip.id), sides.now.get(strip.id)
        if old is None or new is None:
            continue
        lift = _lift_change(sides, strip.id)
        own_moves = moved.get(strip.id, [])
        if lift is not None:
            found.append(lift)
        elif old.verdict != new.verdict:
            why = _why(sides, strip.id, times.local_date(now.at_utc, site.zone), is_verdict=True)
            found.append(
                Change(strip_id=strip.id, what="verdict", before=str(old.verdict), after=str(new.verdict), why=why)
            )
        elif not own_moves and _other_day(site, old, new):
            until = max(u for u in (old.next_utc, new.next_utc, now.at_utc) if u is not None)
            why = _why(sides, strip.id, times.local_date(until, site.zone))
            found.append(
                Change(strip_id=strip.id, what="next_hour", before_utc=old.next_utc, after_utc=new.next_utc, why=why)
            )
        found += own_moves
    return tuple(found)


def _entered_utc(entry: Entry) -> datetime:
    """Return when an entry happened."""
    return entry.at_utc if isinstance(entry, Reading | Watering | SurfaceWork) else entry.until_utc


def _rain(outlook: Sequence[OutlookDay]) -> dict[date, tuple[float, float]]:
    """Return rain [mm] and chance of a wet day by day."""
    return {row.day: (row.rain_mm, row.rain_chance) for row in outlook}


def _events(strip_id: str, between: Sequence[Entry]) -> tuple[Why, ...]:
    """Return what was recorded of a strip, as causes, oldest first."""
    causes: list[Why] = []
    own = [e for e in between if isinstance(e, Reading | Watering | SurfaceWork) and e.strip_id == strip_id]
    for entry in sorted(own, key=lambda e: e.at_utc):
        if isinstance(entry, Reading):
            causes.append(Why(key="reading", numbers={"reading_w_pct": entry.w_pct}, at_utc=entry.at_utc))
        elif isinstance(entry, Watering):
            causes.append(Why(key="watered", numbers={"litres": entry.litres}, at_utc=entry.at_utc))
        else:
            key = entry.work if entry.work in ("rolled", "spread") else "worked"
            causes.append(Why(key=key, at_utc=entry.at_utc))
    return tuple(causes)


def _rain_changes(sides: _Sides) -> list[Change]:
    """Return the days whose forecast rain moved most, in the order of the days."""
    moved = []
    for day, (rain_mm, chance) in sides.rain_now.items():
        if day not in sides.rain_before:
            continue
        old_mm, old_chance = sides.rain_before[day]
        is_moved = abs(rain_mm - old_mm) >= RAIN_MOVED_MM or abs(chance - old_chance) >= RAIN_CHANCE_MOVED
        if is_moved:
            noon = times.moment_utc(day, time(12), sides.site.zone)
            numbers = {
                "rain_before_mm": old_mm,
                "rain_after_mm": rain_mm,
                "chance_before": old_chance,
                "chance_after": chance,
            }
            moved.append(Change(strip_id="", what="rain", after_utc=noon, numbers=numbers))
    moved.sort(key=lambda c: -abs(c.numbers["rain_after_mm"] - c.numbers["rain_before_mm"]))
    return sorted(moved[:RAIN_DAYS_AT_MOST], key=lambda c: c.after_utc.timestamp() if c.after_utc else 0.0)


def _lift_change(sides: _Sides, strip_id: str) -> Change | None:
    """Return that a lift was rolled or a new one spread, the last of both; None where neither was recorded."""
    for cause in reversed(sides.events[strip_id]):
        if cause.key in ("rolled", "spread"):
            what = "lift_done" if cause.key == "rolled" else "lift_spread"
            return Change(
                strip_id=strip_id,
                what=what,
                before=str(sides.before[strip_id].verdict),
                after=str(sides.now[strip_id].verdict),
                after_utc=cause.at_utc,
                why=(cause,),
            )
    return None


def _other_day(site: Site, old: Decision, new: Decision) -> bool:
    """Return whether a strip that waits both times has its first likely hour on another day, or none any more."""
    if old.verdict != Verdict.WAIT or new.verdict != Verdict.WAIT or old.reason == "already_rolled":
        return False
    days = [None if d.next_utc is None else times.local_date(d.next_utc, site.zone) for d in (old, new)]
    return days[0] != days[1]


def _plan_changes(sides: _Sides, before: Said, now: Said) -> dict[str, list[Change]]:
    """Return by strip what moved in the order of work."""
    if before.order is None or now.order is None:
        return {}
    zone = sides.site.zone
    found: dict[str, list[Change]] = {}
    for move in now.order.moves:
        what = "no_longer_planned" if move.after_utc is None else "planned_start"
        last = max(u for u in (move.before_utc, move.after_utc, now.at_utc) if u is not None)
        change = Change(
            strip_id=move.strip_id,
            what=what,
            before_utc=move.before_utc,
            after_utc=move.after_utc,
            numbers={"lift": float(move.lift)},
            why=_why(sides, move.strip_id, times.local_date(last, zone)) or (Why(key="other_strips"),),
        )
        found.setdefault(move.strip_id, []).append(change)
    told = _rolling(before.order)
    for key, work in _rolling(now.order).items():
        if key not in told and work.strip_id in sides.before:
            change = Change(
                strip_id=work.strip_id,
                what="newly_planned",
                after_utc=work.start_utc,
                numbers={"lift": float(work.lift)},
                why=_why(sides, work.strip_id, times.local_date(work.start_utc, zone)),
            )
            found.setdefault(work.strip_id, []).append(change)
    return found


def _rolling(order: WorkOrder) -> dict[tuple[str, int], PlannedWork]:
    return {(w.strip_id, w.lift): w for w in order.works if w.work == Work.ROLLING}


def _why(sides: _Sides, strip_id: str, until: date, *, is_verdict: bool = False) -> tuple[Why, ...]:
    """Return the causes that the two runs show for a strip, most telling first.

    until   last local date that matters; rain of later days is no cause
    """
    old, new = sides.before.get(strip_id), sides.now.get(strip_id)
    if old is None or new is None:
        return ()
    moisture = {"w_before_pct": old.w_now_pct, "w_now_pct": new.w_now_pct}
    causes = [
        Why(key=c.key, numbers=c.numbers | moisture, at_utc=c.at_utc) if c.key == "reading" else c
        for c in sides.events[strip_id]
    ]
    if is_verdict and new.reason in ("day_off", "reading_too_old"):
        numbers = {"reading_age_h": new.reading_age_h} if new.reason == "reading_too_old" else {}
        causes.append(Why(key=new.reason, numbers=numbers))
    moved_pct = new.w_now_pct - old.w_now_pct
    if sides.rained_mm >= RAIN_FELL_MM and moved_pct >= MOVED_PCT:
        causes.append(Why(key="rain_fell", numbers={"rain_mm": sides.rained_mm}))
    common = [day for day in sides.rain_now if day in sides.rain_before and day <= until]
    rain_before, rain_now = (math.fsum(side[day][0] for day in common) for side in (sides.rain_before, sides.rain_now))
    if abs(rain_now - rain_before) >= RAIN_MOVED_MM:
        key = "rain_more" if rain_now > rain_before else "rain_less"
        causes.append(Why(key=key, numbers={"rain_before_mm": rain_before, "rain_after_mm": rain_now}))
    has_own = any(c.key in ("reading", "watered", "spread") for c in causes)
    if abs(moved_pct) >= MOISTURE_MOVED_PCT and not has_own:
        causes.append(Why(key="wetter" if moved_pct > 0.0 else "drier", numbers=moisture))
    return tuple(causes)
