"""What changed between a previous run and this one, and why: the one engine for mornings, re-checks and the page.

Against the day before it says what moved in the verdicts, in the plan and in the rain ahead; against an earlier run of
the same day, what moved in that day's verdicts, hours, litres and rain. The thresholds are settings (`change_...`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta

from gonogo import times
from gonogo.decide import causes
from gonogo.decide.causes import Sides
from gonogo.decide.lift_keys import ROLLED
from gonogo.records.day_plan import DayPlan
from gonogo.records.field import Entry, GaugeRain
from gonogo.records.site import Site
from gonogo.records.verdict import Decision, OutlookDay, Verdict
from gonogo.records.work_order import Change, PlannedWork, Why, Work, WorkOrder

# Reasons that the clock alone brings about. The crew has a clock; whether it has begun, only it knows.
CLOCK_REASONS = frozenset(("no_time_for_water", "not_enough_hours"))
WORTH_A_MAIL = frozenset(("verdict", "window", "litres"))  # what a crew that has its mail of the day acts on


@dataclass(frozen=True, slots=True, kw_only=True)
class PreviousRun:
    """What a run concluded of a site or of a crew's strips, and when. order None = it proposed none.

    badges   by strip id the word that its mail showed of a strip; a strip that is not there is told by its verdict
    """

    at_utc: datetime
    decisions: tuple[Decision, ...]
    outlook: tuple[OutlookDay, ...]
    order: WorkOrder | None = None
    badges: Mapping[str, str] = field(default_factory=dict)


def badges_of(plan: DayPlan | None) -> dict[str, str]:
    """Return by strip id the word that the mails of a plan show; nothing where there is no plan."""
    return {} if plan is None else {strip.strip_id: str(strip.badge) for strip in plan.strips}


def changes(
    site: Site,
    before: PreviousRun,
    now: PreviousRun,
    *,
    entries: Sequence[Entry],
    fallen_mm: tuple[float, float],
    settings: Mapping[str, float],
) -> tuple[Change, ...]:
    """Return what changed between two runs, the site's rain first, then strip by strip in their order.

    before     strips that it does not know are left out
    entries    everything recorded for the site; what lies between the two runs counts
    fallen_mm  rain and melt between the two runs [mm], NaN = unknown
    settings   the site's; those named change_... are used
    """
    between = [e for e in entries if before.at_utc < _entered_utc(e) <= now.at_utc]
    sides = Sides(
        site=site,
        now_utc=now.at_utc,
        before={d.strip_id: d for d in before.decisions},
        now={d.strip_id: d for d in now.decisions},
        rain_before=_rain(before.outlook),
        rain_now=_rain(now.outlook),
        fallen_mm=fallen_mm,
        events={strip.id: causes.events(strip.id, between) for strip in site.strips},
        settings=settings,
        badges=(before.badges, now.badges),
    )
    days = [times.local_date(run.at_utc, site.zone) for run in (before, now)]
    if days[0] == days[1]:
        return _since_this_morning(sides, days[1])
    return _since_another_day(sides, before, now)


def worth_a_mail(found: Sequence[Change]) -> bool:
    """Return whether a crew that has its mail of the day is mailed again: not for rain that changes no verdict."""
    return any(change.what in WORTH_A_MAIL for change in found)


def _since_another_day(sides: Sides, before: PreviousRun, now: PreviousRun) -> tuple[Change, ...]:
    found = _rain_changes(sides)
    moved = _plan_changes(sides, before, now)
    today = times.local_date(now.at_utc, sides.site.zone)
    # What has a place today has no next day, and waits for none.
    rolled_today = _rolled_on(now.order, today, sides.site)
    for strip_id, old, new in _pairs(sides):
        lift = _lift_change(sides, strip_id)
        own_moves = moved.get(strip_id, [])
        if lift is not None:
            found.append(lift)
        elif old.verdict != new.verdict:
            found.append(_verdict_change(sides, old, new, today))
        elif not own_moves and strip_id not in rolled_today and _is_next_on_another_day(sides.site, old, new):
            last = max(u for u in (old.next_utc, new.next_utc, now.at_utc) if u is not None)
            found.append(
                Change(
                    strip_id=strip_id,
                    what="next_hour",
                    before_utc=old.next_utc,
                    after_utc=new.next_utc,
                    why=causes.why(sides, strip_id, times.local_date(last, sides.site.zone)),
                )
            )
        found += own_moves
    return tuple(found)


def _since_this_morning(sides: Sides, today: date) -> tuple[Change, ...]:
    """A strip that is rolled, whose hours are over, or whose verdict the clock alone changed is no news."""
    found = [c for c in _rain_changes(sides) if c.after_utc and times.local_date(c.after_utc, sides.site.zone) == today]
    is_rain_moved = bool(found)
    for _, old, new in _pairs(sides):
        is_over = old.until_utc is not None and old.until_utc <= sides.now_utc and new.from_utc is None
        is_clock_alone = new.reason in CLOCK_REASONS and not is_rain_moved
        if new.reason in ROLLED or is_over or is_clock_alone:
            continue
        change = _day_change(sides, old, new, today)
        if change is not None:
            found.append(change)
    return tuple(found)


def _pairs(sides: Sides) -> Iterator[tuple[str, Decision, Decision]]:
    """The decisions of both runs for each strip that both know."""
    for strip in sides.site.strips:
        old, new = sides.before.get(strip.id), sides.now.get(strip.id)
        if old is not None and new is not None:
            yield strip.id, old, new


def _verdict_change(sides: Sides, old: Decision, new: Decision, today: date) -> Change:
    why = causes.why(sides, new.strip_id, today, is_verdict=True)
    was, now = _shown(sides, old, new)
    return Change(strip_id=new.strip_id, what="verdict", before=was, after=now, why=why)


def _shown(sides: Sides, old: Decision, new: Decision) -> tuple[str, str]:
    """Return the word that the reader saw of a strip, and the one that stands there now."""
    was, now = (
        badges.get(decision.strip_id, str(decision.verdict))
        for badges, decision in zip(sides.badges, (old, new), strict=True)
    )
    return was, now


def _day_change(sides: Sides, old: Decision, new: Decision, today: date) -> Change | None:
    """Return the change of a strip's verdict, hours, litres or badge within a day, None within the thresholds."""
    if old.verdict != new.verdict:
        return _verdict_change(sides, old, new, today)
    why = causes.why(sides, new.strip_id, today)
    if _is_window_moved(sides, old, new):
        return Change(
            strip_id=new.strip_id,
            what="window",
            before_utc=old.from_utc,
            before_until_utc=old.until_utc,
            after_utc=new.from_utc,
            after_until_utc=new.until_utc,
            why=why,
        )
    if old.water is not None and new.water is not None:
        litres, limit = (old.water.litres, new.water.litres), sides.settings["change_litres_pct"]
        if abs(litres[1] - litres[0]) * 100.0 > limit * litres[0]:
            numbers = {"before_litres": litres[0], "after_litres": litres[1]}
            return Change(strip_id=new.strip_id, what="litres", numbers=numbers, why=why)
    was, now = _shown(sides, old, new)
    return None if was == now else Change(strip_id=new.strip_id, what="badge", before=was, after=now, why=why)


def _is_window_moved(sides: Sides, old: Decision, new: Decision) -> bool:
    """Return whether an end of the window moved beyond the threshold; hours that are past count for neither.

    After watering the window begins whenever the truck is done, so only its end is compared.
    """
    if old.from_utc is None or old.until_utc is None or new.from_utc is None or new.until_utc is None:
        return False
    limit = timedelta(minutes=sides.settings["change_window_min"])
    start_moved = abs(max(new.from_utc, sides.now_utc) - max(old.from_utc, sides.now_utc))
    is_start_moved = old.verdict == Verdict.COMPACT and start_moved > limit
    return is_start_moved or abs(new.until_utc - old.until_utc) > limit


def _entered_utc(entry: Entry) -> datetime:
    """Return when an entry happened."""
    return entry.until_utc if isinstance(entry, GaugeRain) else entry.at_utc


def _rain(outlook: Sequence[OutlookDay]) -> dict[date, tuple[float, float]]:
    """Return rain [mm] and chance of a wet day by day."""
    return {row.day: (row.rain_mm, row.rain_chance) for row in outlook}


def _rain_changes(sides: Sides) -> list[Change]:
    """Return the days whose forecast rain moved most, in the order of the days."""
    settings = sides.settings
    moved = []
    for day, (rain_mm, chance) in sides.rain_now.items():
        if day not in sides.rain_before:
            continue
        old_mm, old_chance = sides.rain_before[day]
        is_amount_moved = abs(rain_mm - old_mm) >= settings["change_rain_mm"]
        if is_amount_moved or abs(chance - old_chance) >= settings["change_rain_chance"]:
            noon = times.moment_utc(day, time(12), sides.site.zone)
            numbers = {
                "rain_before_mm": old_mm,
                "rain_after_mm": rain_mm,
                "chance_before": old_chance,
                "chance_after": chance,
            }
            moved.append(Change(strip_id="", what="rain", after_utc=noon, numbers=numbers))
    moved.sort(key=lambda c: -abs(c.numbers["rain_after_mm"] - c.numbers["rain_before_mm"]))
    most = moved[: round(settings["change_rain_days"])]
    return sorted(most, key=lambda c: c.after_utc.timestamp() if c.after_utc else 0.0)


def _lift_change(sides: Sides, strip_id: str) -> Change | None:
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


def _is_next_on_another_day(site: Site, old: Decision, new: Decision) -> bool:
    """Return whether a strip that waits both times has its first likely hour on another day, or none any more.

    Where the new run knows nothing of a strip (no facts) its next hour is unknown, which is no change.
    """
    if old.verdict != Verdict.WAIT or new.verdict != Verdict.WAIT or old.reason in ROLLED or not new.facts:
        return False
    days = [None if d.next_utc is None else times.local_date(d.next_utc, site.zone) for d in (old, new)]
    return days[0] != days[1]


def _plan_changes(sides: Sides, before: PreviousRun, now: PreviousRun) -> dict[str, list[Change]]:
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
            why=causes.why(sides, move.strip_id, times.local_date(last, zone)) or (Why(key="other_strips"),),
        )
        found.setdefault(move.strip_id, []).append(change)
    planned_before = _rolling(before.order)
    for key, work in _rolling(now.order).items():
        if key not in planned_before and work.strip_id in sides.before:
            change = Change(
                strip_id=work.strip_id,
                what="newly_planned",
                after_utc=work.start_utc,
                numbers={"lift": float(work.lift)},
                why=causes.why(sides, work.strip_id, times.local_date(work.start_utc, zone)),
            )
            found.setdefault(work.strip_id, []).append(change)
    return found


def _rolled_on(order: WorkOrder | None, day: date, site: Site) -> frozenset[str]:
    """Return the strips that an order of work has rolled on a day."""
    works = () if order is None else _rolling(order).values()
    return frozenset(w.strip_id for w in works if times.local_date(w.start_utc, site.zone) == day)


def _rolling(order: WorkOrder) -> dict[tuple[str, int], PlannedWork]:
    return {(w.strip_id, w.lift): w for w in order.works if w.work == Work.ROLLING}
