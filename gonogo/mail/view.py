"""The morning as any reader may see it: a view of the day plan, every number rounded once, in no language yet."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from gonogo.mail import first_screen
from gonogo.mail.assumed import assumed
from gonogo.mail.behind import behind, material_view, said_first, unsure
from gonogo.mail.calendar import entry_views
from gonogo.mail.changed import changed, changed_strips
from gonogo.mail.driver import driver_view
from gonogo.mail.finished import without_finished
from gonogo.mail.items import MorningView, StripRow
from gonogo.mail.morning import Morning
from gonogo.mail.panels import paths_view
from gonogo.mail.planner import planner_view
from gonogo.mail.rows import strip_row
from gonogo.records.day_plan import Badge, DayPlan, StripPlan, TestFirst, Then
from gonogo.records.site import Strip
from gonogo.records.verdict import Decision, Verdict
from gonogo.weather.forecast_status import ForecastStatus
from gonogo.wording import phrases, sky
from gonogo.wording.changes import changes_view
from gonogo.wording.horizon import RAIN_DAY_MM, horizon
from gonogo.wording.hour_bar import hour_bar
from gonogo.wording.instruction import instruction, short_name
from gonogo.wording.items import ChangeView, DayView, RowView, SkyView
from gonogo.wording.notes import note_phrase
from gonogo.wording.phrases import Day, Names, Phrase, phrase
from gonogo.wording.sentences import reason
from gonogo.wording.strips import strip as strip_view

CAUTIONS = ("deciders", "stop", "water")  # that it is advice stands above
MORNING = "morning"
TESTS_ON_FIRST_SCREEN = 2  # of more tests, only what releases a lift stands in its row


def build(morning: Morning) -> MorningView:
    """Return the view of a morning, for all roles.

    Without a trusted forecast every strip waits, whatever plan and decisions say: the last door before the mail.
    """
    morning = without_finished(_closed_without_forecast(morning))
    sky_today = _sky(morning)
    decisions = {d.strip_id: d for d in morning.decisions}
    rows = tuple(_rows(morning, decisions))
    shown = tuple(row for row in rows if row.instruction.badge != Badge.DONE)
    done = tuple(_done(morning, row) for row in rows if row.instruction.badge == Badge.DONE)
    days, grid = _grid(morning, decisions)
    names = [crew.name for crew in morning.crews]
    site, own, weather = morning.site, morning.strips, morning.weather
    return MorningView(
        site=site.name,
        crew=", ".join(names),
        day=Day(day=morning.plan.day),
        long_day=Day(day=morning.plan.day, form="long"),
        zone=site.zone.key,
        edition=morning.edition,
        is_update=morning.edition != MORNING,
        is_knowable=morning.plan.is_knowable,
        headline=first_screen.headline(morning, shown, sky_today),
        changed=changed(morning, shown) if morning.edition != MORNING else (),
        changed_strips=changed_strips(morning) if morning.edition != MORNING else None,
        tally=_tally(shown),
        bar=hour_bar(morning.plan, own, [crew.id for crew in morning.crews], morning.clock),
        rows=shown,
        has_results_behind=sum(bool(row.branches) for row in shown) > TESTS_ON_FIRST_SCREEN,
        done=Names(items=done) if done else None,
        seals=first_screen.seals(morning),
        box=first_screen.box(morning, shown),
        to_record=first_screen.to_record(morning, shown),
        rain=first_screen.rain(morning),
        pause=first_screen.pause(morning),
        sky=first_screen.sky_line(sky_today),
        alarm=first_screen.alarm(morning, sky_today),
        basis=first_screen.basis(morning, sky_today),
        behind=behind(morning, decisions),
        driver=driver_view(morning, shown),
        planner=planner_view(morning, shown),
        days=days,
        grid=grid,
        rain_floor=phrases.amount("rain_mm", RAIN_DAY_MM),
        changes=_changes(morning),
        paths=paths_view(morning) if morning.paths else None,
        entries=entry_views(morning.entries, morning.strips, site, morning.truck_id),
        weather=sky_today,
        unsure=(*unsure(morning, decisions), *assumed(morning)),
        materials=tuple(
            material_view(m) for m in site.materials if m.id in {strip.material_id for strip in own.values()}
        ),
        notes=tuple(note_phrase(note, morning.clock) for note in weather.notes) if weather is not None else (),
        cautions=tuple(phrase(f"caution.{c}") for c in CAUTIONS),
    )


def without_extras(view: MorningView) -> MorningView:
    """Return a view that needs neither picture nor calendar."""
    return replace(view, paths=None, entries=())


def _done(morning: Morning, row: StripRow) -> Phrase:
    """Return a finished strip with the count of its lifts."""
    plan = morning.plan.strip(row.instruction.strip_id)
    return phrase("row.done_strip", strip=row.instruction.short, n=1 if plan is None else plan.lifts)


def _rows(morning: Morning, decisions: Mapping[str, Decision]) -> Sequence[StripRow]:
    own, clock, plan = morning.strips, morning.clock, morning.plan
    return [
        strip_row(
            strip_plan,
            instruction(plan, strip_plan, own[strip_plan.strip_id], clock, morning.chance_needed),
            clock,
            reason=reason(decisions[strip_plan.strip_id], clock),
            is_knowable=plan.is_knowable,
            first=said_first(decisions[strip_plan.strip_id], clock),
        )
        for strip_plan in morning.strip_plans
        if strip_plan.strip_id in decisions
    ]


def _sky(morning: Morning) -> SkyView | None:
    if morning.weather is None:
        return None
    return sky.today(morning.weather, morning.site, morning.plan.day, morning.now_utc)


def _tally(rows: Sequence[StripRow]) -> tuple[Phrase, ...]:
    """Return how many strips have each badge, for a subject."""
    counts = {badge: sum(row.instruction.badge == badge for row in rows) for badge in Badge}
    return tuple(phrase(f"tally.{badge}", n=n) for badge, n in counts.items() if n)


def _grid(morning: Morning, decisions: Mapping[str, Decision]) -> tuple[tuple[DayView, ...], tuple[RowView, ...]]:
    site, own, clock = morning.site, morning.strips, morning.clock
    today = {
        strip_id: strip_view(decisions[strip_id], strip, site, clock)
        for strip_id, strip in own.items()
        if strip_id in decisions
    }
    return horizon(morning.outlook, own, clock, morning.chance_needed, today)


def _changes(morning: Morning) -> tuple[ChangeView, ...] | None:
    if morning.changes is None:
        return None
    return changes_view(morning.changes, _short(morning.strips), morning.clock, {})


def _short(own: Mapping[str, Strip]) -> dict[str, Strip]:
    """The strips under their short names, for lines that are read beside the rows."""
    return {strip_id: replace(strip, name=short_name(strip)) for strip_id, strip in own.items()}


# --- the last door -------------------------------------------------------------------------------------------------


def _closed_without_forecast(morning: Morning) -> Morning:
    """Return the morning in which, without a trusted forecast, every strip waits for a test."""
    if morning.weather is not None and morning.weather.status != ForecastStatus.NONE:
        return morning
    if morning.plan.is_knowable:
        morning = replace(morning, plan=_without_work(morning.plan))
    return replace(
        morning,
        decisions=[_waiting(d) for d in morning.decisions],
        outlook=(),
        order=None,
        paths={},
    )


def _without_work(plan: DayPlan) -> DayPlan:
    return replace(
        plan,
        is_knowable=False,
        strips=tuple(_untold(strip) for strip in plan.strips),
        jobs=(),
        sealings=(),
        rain=(),
        fallen_mm=math.nan,
        fallen_since_utc=None,
    )


def _untold(strip: StripPlan) -> StripPlan:
    """Return a strip with nothing that a forecast says of it: it waits for a test, and its last one stands."""
    if strip.badge == Badge.DONE:
        return strip
    test = TestFirst(
        why="no_forecast",
        by_utc=None,
        low_pct=strip.low_pct,
        high_pct=strip.high_pct,
        inside=Then.ROLL,
        below=Then.CALL,
        above=Then.HOLD,
    )
    return replace(
        strip,
        verdict=Verdict.WAIT,
        badge=Badge.TEST,
        reason="no_forecast",
        why_not="",
        roll_from_utc=None,
        roll_by_utc=None,
        water_by_utc=None,
        test=test,
        next=None,
        dry_back=None,
        new_lift=None,
        w_now_pct=math.nan,
        w_p10_pct=math.nan,
        w_p90_pct=math.nan,
        w_top_pct=math.nan,
        w_base_pct=math.nan,
        chance_in_window=math.nan,
        chance_too_dry=math.nan,
        chance_too_wet=math.nan,
    )


def _waiting(decision: Decision) -> Decision:
    """Return the decision turned into "wait, no forecast"; moisture carried on by no forecast is not shown either."""
    return replace(
        decision,
        verdict=Verdict.WAIT,
        reason=decision.reason if not decision.facts else "no_forecast",
        from_utc=None,
        until_utc=None,
        next_utc=None,
        facts={},
        seen=(),
        advice=(),
        test=("test_before_rolling",),
        water=None,
        w_now_pct=math.nan,
        w_p10_pct=math.nan,
        w_p90_pct=math.nan,
        w_top_pct=math.nan,
        w_base_pct=math.nan,
    )
