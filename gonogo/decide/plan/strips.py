"""One strip of the day plan: verdict, badge, window, last test, what is to be tested, when it is tried next."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from gonogo import times
from gonogo.decide.plan import still_told
from gonogo.decide.plan.basis import Basis
from gonogo.decide.plan.new_lift import new_lift
from gonogo.decide.plan.test_first import test_of
from gonogo.decide.plan.way_back import way_back
from gonogo.decide.standing import ORDER_STANDS
from gonogo.decide.windows import epoch_h, stretch
from gonogo.moisture.lift_history import LiftHistory
from gonogo.records.day_plan import (
    Badge,
    DryBack,
    Job,
    LastTest,
    NewLift,
    NextTry,
    NotRecorded,
    StripPlan,
    Task,
    TestFirst,
    Then,
)
from gonogo.records.shift import half_of
from gonogo.records.site import Material, Site, Strip
from gonogo.records.verdict import Decision, Verdict
from gonogo.records.work_order import Work

CHANCES = ("chance_in_window", "chance_too_dry", "chance_too_wet")  # facts that a place in today's order makes definite


def strip_plan(basis: Basis, s: int, jobs: Sequence[Job]) -> StripPlan:
    """Return the plan of the strip on row s; its rank is set once all are known."""
    inputs, strip = basis.inputs, basis.inputs.strips[s]
    decision = basis.decisions[strip.id]
    own = [job for job in jobs if job.strip_id == strip.id]
    water = next((job for job in own if job.task == Task.WATER), None)
    rolling = next((job for job in own if job.task == Task.ROLL), None)
    is_rolled = inputs.is_rolled(s) == 1.0
    n_done = basis.done.get(strip.id, 0)
    lift = max(n_done, 1) if is_rolled else n_done + 1
    test, coming, back = _asked(basis, s, decision, rolling)
    inside, too_dry, too_wet = _chances(basis, s, decision, None if is_rolled else rolling)
    plan = _bare(
        strip,
        inputs.material(strip),
        decision,
        lift=lift,
        badge=badge(decision, test, coming, is_finished=is_rolled and n_done >= strip.lifts),
        last=last_test(basis.histories[strip.id], basis.refused),
    )
    return replace(
        plan,
        why_not=_why_not(basis, decision, rolling, lift),
        w_now_pct=decision.w_now_pct,
        w_p10_pct=decision.w_p10_pct,
        w_p90_pct=decision.w_p90_pct,
        w_top_pct=decision.w_top_pct,
        w_base_pct=decision.w_base_pct,
        chance_in_window=inside,
        chance_too_dry=too_dry,
        chance_too_wet=too_wet,
        roll_from_utc=decision.from_utc,
        roll_by_utc=decision.until_utc,
        water_by_utc=None if water is None or water.end_utc <= inputs.now_utc else water.latest_utc,
        test=test,
        not_recorded=_not_recorded(basis, strip.id),
        next=_next(basis, decision, back, lift, is_rolled=is_rolled),
        dry_back=back,
        new_lift=coming,
        finished_utc=finished_utc(basis.histories[strip.id]) if plan.badge == Badge.DONE else None,
        watered_utc=inputs.last_water_utc.get(strip.id),
    )


def finished_utc(history: LiftHistory) -> datetime | None:
    """Return when a rolled lift was last rolled or accepted, None where nobody recorded it."""
    return max((work.at_utc for work in history.works if work.work in ("rolled", "accepted")), default=None)


def _chances(basis: Basis, s: int, decision: Decision, rolling: Job | None) -> tuple[float, float, float]:
    """Return the chances (inside, too dry, too wet) of the hours in which the lift is rolled today.

    Without a place today that is still to come, and where water comes first, they are those of the best stretch, as the
    rules saw them. Hours that stand as they were told keep the chances that they were told with.
    """
    order = basis.inputs.orders.get(decision.strip_id) if decision.rule_id == ORDER_STANDS else None
    if order is not None and decision.verdict == Verdict.COMPACT:
        return order.told.chance_in_window, order.told.chance_too_dry, order.told.chance_too_wet
    is_over = rolling is not None and rolling.end_utc <= basis.inputs.now_utc
    if rolling is None or is_over or math.isnan(rolling.chance) or decision.verdict == Verdict.WATER:
        inside, too_dry, too_wet = (decision.facts.get(name, math.nan) for name in CHANCES)
        return inside, too_dry, too_wet
    if order is not None:
        return rolling.chance, order.told.chance_too_dry, order.told.chance_too_wet
    prepared = basis.prepared
    place = stretch(prepared.cond, s, epoch_h(rolling.start_utc), prepared.rolling_h[s], prepared.seal_h)
    return rolling.chance, place.chance_too_dry, place.chance_too_wet


def _asked(
    basis: Basis, s: int, decision: Decision, rolling: Job | None
) -> tuple[TestFirst | None, NewLift | None, DryBack | None]:
    """Return the deciding test, the lift to come and the way back; those of an order that stands as they were told."""
    order = basis.inputs.orders.get(decision.strip_id)
    if order is not None and decision.rule_id == ORDER_STANDS:
        return still_told.test(basis, order), still_told.new_lift(basis, order), still_told.dry_back(basis, order)
    return test_of(basis, s, decision, rolling), new_lift(basis, s), way_back(basis, s)


def waiting(site: Site, strip: Strip, decision: Decision, history: LiftHistory, n_done: int) -> StripPlan:
    """Return the plan of a strip on a morning without a verdict: it waits, its last test stands, no chance is known."""
    is_finished = history.is_rolled and n_done >= strip.lifts
    material = site.material(strip.material_id)
    lift = max(n_done, 1) if history.is_rolled else n_done + 1
    shown = Badge.DONE if is_finished else Badge.TEST
    plan = _bare(strip, material, decision, lift=lift, badge=shown, last=last_test(history, {}))
    if is_finished:
        return replace(plan, finished_utc=finished_utc(history))
    test = TestFirst(
        why=decision.reason,
        by_utc=None,
        low_pct=plan.low_pct,
        high_pct=plan.high_pct,
        inside=Then.ROLL,
        below=Then.CALL,
        above=Then.HOLD,
    )
    return replace(plan, test=test)


def _bare(
    strip: Strip, material: Material, decision: Decision, *, lift: int, badge: Badge, last: LastTest | None
) -> StripPlan:
    """The plan of a strip of which nothing is known but its verdict and its last test."""
    return StripPlan(
        strip_id=strip.id,
        crew_id=strip.crew_id,
        rank=0,
        lift=lift,
        lifts=strip.lifts,
        verdict=decision.verdict,
        badge=badge,
        reason=decision.reason,
        why_not="",
        is_tested=last is not None and last.is_used,
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
        last_test=last,
        test=None,
        not_recorded=(),
        next=None,
    )


def badge(decision: Decision, test: TestFirst | None, coming: NewLift | None, *, is_finished: bool) -> Badge:
    """Return the word on a strip's badge."""
    if decision.verdict == Verdict.COMPACT:
        return Badge.COMPACT
    if decision.verdict == Verdict.WATER:
        return Badge.WATER_FIRST
    if is_finished:
        return Badge.DONE
    return Badge.TEST if test is not None or (coming is not None and coming.test is not None) else Badge.WAIT


def last_test(history: LiftHistory, refused: Mapping[tuple[str, datetime], tuple[float, float]]) -> LastTest | None:
    """Return the last moisture test of the lift that lies there, also one that does not count."""
    if not history.readings:
        return None
    reading = history.readings[-1]
    low_pct, high_pct = refused.get((reading.strip_id, reading.at_utc), (math.nan, math.nan))
    return LastTest(
        w_pct=reading.w_pct,
        method=reading.method,
        at_utc=reading.at_utc,
        depth_mm=reading.depth_mm,
        is_used=(reading.strip_id, reading.at_utc) not in refused,
        expected_low_pct=low_pct,
        expected_high_pct=high_pct,
        litres_since=sum((w.litres for w in history.waterings if w.at_utc >= reading.at_utc), 0.0),
    )


def _not_recorded(basis: Basis, strip_id: str) -> tuple[NotRecorded, ...]:
    return tuple(
        NotRecorded(
            task=work.task,
            told_utc=work.told_utc,
            start_utc=work.start_utc,
            end_utc=work.end_utc,
            litres=work.litres,
            chance_done=chance,
            is_running=work.end_utc > basis.inputs.now_utc,
            lift=work.lift,
        )
        for work, chance in basis.unknown
        if work.strip_id == strip_id
    )


def _why_not(basis: Basis, decision: Decision, rolling: Job | None, lift: int) -> str:
    """Return why a strip that may be worked today has no place: the order's reason, or that its order has begun."""
    if decision.verdict == Verdict.WAIT or rolling is not None:
        return ""
    key = (decision.strip_id, lift)
    return next((u.reason for u in basis.order.unplanned if (u.strip_id, u.lift) == key), "roller_full")


def _next(basis: Basis, decision: Decision, back: DryBack | None, lift: int, *, is_rolled: bool) -> NextTry | None:
    """Return the planned rolling that comes next, else when it is likely to be possible, disked where it is wet."""
    wanted = lift + 1 if is_rolled else lift
    ready = None if back is None else back.ready
    for work in basis.order.works:
        if work.work != Work.ROLLING or (work.strip_id, work.lift) != (decision.strip_id, wanted):
            continue
        if times.local_date(work.start_utc, basis.site.zone) == basis.inputs.day:
            return None
        if ready is not None and ready.at_utc < work.start_utc:
            return ready
        day, half = half_of(basis.site, work.start_utc)
        after = "water" if "water_first" in work.flags else "spread" if wanted > lift else ""
        return NextTry(day=day, half=half, at_utc=work.start_utc, chance=work.chance, after=after, is_planned=True)
    if ready is not None and (decision.next_utc is None or ready.at_utc < decision.next_utc):
        return ready
    if decision.next_utc is None:
        return None
    day, half = half_of(basis.site, decision.next_utc)
    return NextTry(day=day, half=half, at_utc=decision.next_utc, chance=math.nan)
