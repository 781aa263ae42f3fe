"""One strip of the day plan: verdict, badge, window, last test, what is to be tested, when it is tried next."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, datetime, time

from gonogo import times
from gonogo.decide.plan.basis import Basis
from gonogo.moisture.lift_history import Story
from gonogo.records.day_plan import Badge, Half, Job, LastTest, NextTry, StripPlan, Task, TestFirst, Then
from gonogo.records.site import Material, Site, Strip
from gonogo.records.verdict import Decision, Verdict
from gonogo.records.work_order import Work

# Reasons that a test can release: the weather and the hours of today allow work, only the moisture is not known.
TESTABLE = frozenset(
    ("no_reading", "reading_too_old", "reading_doubtful", "retest_after_rain", "too_uncertain", "split_lift")
)
NOT_KNOWN = frozenset(("not_knowable", "no_forecast", "forecast_too_old"))
NOON = time(12)


def strip_plan(basis: Basis, s: int, jobs: Sequence[Job]) -> StripPlan:
    """Return the plan of the strip on row s; its rank is set once all are known."""
    inputs, strip = basis.inputs, basis.inputs.strips[s]
    decision, material = basis.decisions[strip.id], inputs.material(strip)
    own = [job for job in jobs if job.strip_id == strip.id]
    water = next((job for job in own if job.task == Task.WATER), None)
    rolling = next((job for job in own if job.task == Task.ROLL), None)
    is_rolled = inputs.is_rolled(s) == 1.0
    n_done = basis.done.get(strip.id, 0)
    lift = max(n_done, 1) if is_rolled else n_done + 1
    test = _test(basis, decision, material)
    return StripPlan(
        strip_id=strip.id,
        crew_id=strip.crew_id,
        rank=0,
        lift=lift,
        lifts=strip.lifts,
        verdict=decision.verdict,
        badge=badge(decision, test, is_finished=is_rolled and n_done >= strip.lifts),
        reason=decision.reason,
        why_not="" if decision.verdict == Verdict.WAIT or rolling is not None else _why_not(basis, strip.id, lift),
        is_tested=math.isfinite(decision.reading_age_h),
        w_now_pct=decision.w_now_pct,
        w_p10_pct=decision.w_p10_pct,
        w_p90_pct=decision.w_p90_pct,
        w_top_pct=decision.w_top_pct,
        w_base_pct=decision.w_base_pct,
        chance_in_window=decision.facts.get("chance_in_window", math.nan),
        chance_too_dry=decision.facts.get("chance_too_dry", math.nan),
        chance_too_wet=decision.facts.get("chance_too_wet", math.nan),
        low_pct=material.omc_pct + material.window_low_pct,
        high_pct=material.omc_pct + material.window_high_pct,
        optimum_pct=material.omc_pct,
        roll_from_utc=decision.from_utc,
        roll_by_utc=decision.until_utc,
        water_by_utc=None if water is None else water.latest_utc,
        last_test=last_test(basis.stories[strip.id], basis.refused),
        test=test,
        not_recorded=(),
        next=_next(basis, decision, lift, is_rolled=is_rolled),
    )


def badge(decision: Decision, test: TestFirst | None, *, is_finished: bool) -> Badge:
    """Return the word on a strip's badge."""
    if decision.verdict == Verdict.COMPACT:
        return Badge.COMPACT
    if decision.verdict == Verdict.WATER:
        return Badge.WATER_FIRST
    if is_finished:
        return Badge.DONE
    return Badge.TEST if test is not None else Badge.WAIT


def waiting(site: Site, strip: Strip, decision: Decision, story: Story, n_done: int) -> StripPlan:
    """Return the plan of a strip on a morning without a verdict: it waits, its last test stands, no chance is known."""
    material = site.material(strip.material_id)
    is_finished = story.is_rolled and n_done >= strip.lifts
    return StripPlan(
        strip_id=strip.id,
        crew_id=strip.crew_id,
        rank=0,
        lift=max(n_done, 1) if story.is_rolled else n_done + 1,
        lifts=strip.lifts,
        verdict=Verdict.WAIT,
        badge=Badge.DONE if is_finished else Badge.TEST,
        reason=decision.reason,
        why_not="",
        is_tested=bool(story.readings),
        w_now_pct=math.nan,
        w_p10_pct=math.nan,
        w_p90_pct=math.nan,
        w_top_pct=math.nan,
        w_base_pct=math.nan,
        chance_in_window=math.nan,
        chance_too_dry=math.nan,
        chance_too_wet=math.nan,
        low_pct=material.omc_pct + material.window_low_pct,
        high_pct=material.omc_pct + material.window_high_pct,
        optimum_pct=material.omc_pct,
        roll_from_utc=None,
        roll_by_utc=None,
        water_by_utc=None,
        last_test=last_test(story, frozenset()),
        test=None if is_finished else _by_test(material, decision.reason, None),
        not_recorded=(),
        next=None,
    )


def last_test(story: Story, refused: frozenset[tuple[str, datetime]]) -> LastTest | None:
    """Return the last moisture test of the lift that lies there, also one that does not count."""
    if not story.readings:
        return None
    reading = story.readings[-1]
    return LastTest(
        w_pct=reading.w_pct,
        method=reading.method,
        at_utc=reading.at_utc,
        is_used=(reading.strip_id, reading.at_utc) not in refused,
    )


def half_of(site: Site, at_utc: datetime) -> tuple[date, Half]:
    """Return the local date and the half of the day that hold a moment."""
    local = at_utc.astimezone(site.zone)
    return local.date(), Half.MORNING if local.time() < NOON else Half.AFTERNOON


def _test(basis: Basis, decision: Decision, material: Material) -> TestFirst | None:
    if decision.verdict == Verdict.WATER:
        by_utc = decision.from_utc
        return _by_test(material, "after_watering", by_utc)
    if decision.verdict == Verdict.WAIT and decision.reason in TESTABLE:
        return _by_test(material, decision.reason, basis.shift_utc[0])
    return None


def _by_test(material: Material, why: str, by_utc: datetime | None) -> TestFirst:
    return TestFirst(
        why=why,
        by_utc=by_utc,
        low_pct=material.omc_pct + material.window_low_pct,
        high_pct=material.omc_pct + material.window_high_pct,
        inside=Then.ROLL,
        below=Then.CALL,
        above=Then.HOLD,
    )


def _why_not(basis: Basis, strip_id: str, lift: int) -> str:
    return next((u.reason for u in basis.order.unplanned if (u.strip_id, u.lift) == (strip_id, lift)), "roller_full")


def _next(basis: Basis, decision: Decision, lift: int, *, is_rolled: bool) -> NextTry | None:
    """Return the planned rolling that comes next, else the first hour that is likely enough."""
    wanted = lift + 1 if is_rolled else lift
    for work in basis.order.works:
        if work.work == Work.ROLLING and (work.strip_id, work.lift) == (decision.strip_id, wanted):
            if times.local_date(work.start_utc, basis.site.zone) == basis.inputs.day:
                return None
            day, half = half_of(basis.site, work.start_utc)
            after = "water" if "water_first" in work.flags else "spread" if wanted > lift else ""
            return NextTry(day=day, half=half, at_utc=work.start_utc, chance=work.chance, after=after, is_planned=True)
    if decision.next_utc is None:
        return None
    day, half = half_of(basis.site, decision.next_utc)
    return NextTry(day=day, half=half, at_utc=decision.next_utc, chance=math.nan)
