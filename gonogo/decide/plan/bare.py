"""The plan where making the plan failed: each strip's verdict, hours and litres, and no order of work."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime

from gonogo.decide.plan.build import ranked
from gonogo.decide.plan.strips import badge, waiting
from gonogo.moisture.lift_history import LiftHistory
from gonogo.records import shift
from gonogo.records.day_plan import DayPlan, Job, StripPlan, Task
from gonogo.records.days_off import pause_after
from gonogo.records.site import Site
from gonogo.records.verdict import Decision, Verdict

NO_HISTORY = LiftHistory(readings=(), waterings=(), works=(), is_rolled=False)


def verdicts_only(
    site: Site,
    decisions: Sequence[Decision],
    histories: Mapping[str, LiftHistory],
    *,
    now_utc: datetime,
    day: date,
    edition: str,
) -> DayPlan:
    """Return the verdicts of a run as a plan with neither rolling hours of the machine nor sealing.

    histories   by strip id, what was recorded; a strip that is not there shows no last test

    A run in which no strip has a verdict gives a plan that is not knowable.
    """
    start_utc, end_utc = shift.shift_utc(site, day)
    known = {strip.id for strip in site.strips}
    plans = [_strip(site, d, histories.get(d.strip_id, NO_HISTORY)) for d in decisions if d.strip_id in known]
    jobs = tuple(job for d in decisions if d.strip_id in known for job in _watering(site, d))
    return DayPlan(
        site_id=site.id,
        day=day,
        edition=edition,
        made_utc=now_utc,
        shift_start_utc=start_utc,
        shift_end_utc=end_utc,
        next_shift_utc=None,
        is_knowable=any(d.facts for d in decisions),
        strips=ranked(site, plans, jobs),
        jobs=jobs,
        sealings=(),
        rain=(),
        fallen_mm=float("nan"),
        fallen_since_utc=None,
        pause=pause_after(site, day),
    )


def _strip(site: Site, decision: Decision, history: LiftHistory) -> StripPlan:
    plan = waiting(site, site.strip(decision.strip_id), decision, history, int(history.is_rolled))
    if not decision.facts:
        return plan
    return replace(
        plan,
        verdict=decision.verdict,
        badge=badge(decision, plan.test if decision.verdict == Verdict.WAIT else None, None, is_finished=False),
        is_tested=plan.is_tested,
        w_now_pct=decision.w_now_pct,
        w_top_pct=decision.w_top_pct,
        w_base_pct=decision.w_base_pct,
        roll_from_utc=decision.from_utc,
        roll_by_utc=decision.until_utc,
        test=plan.test if decision.verdict == Verdict.WAIT else None,
    )


def _watering(site: Site, decision: Decision) -> tuple[Job, ...]:
    water = decision.water
    if water is None:
        return ()
    return (
        Job(
            task=Task.WATER if decision.verdict == Verdict.WATER else Task.DAMP,
            strip_id=decision.strip_id,
            lift=1,
            crew_id=site.strip(decision.strip_id).crew_id,
            machine_id=water.truck_id,
            start_utc=water.start_utc,
            end_utc=water.finish_utc,
            litres=water.litres,
            water=water,
        ),
    )
