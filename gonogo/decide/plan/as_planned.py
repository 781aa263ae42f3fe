"""Verdicts and order of work as the day plan tells them, so that whoever reads these reads the plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from gonogo import times
from gonogo.decide.plan.strips import CHANCES
from gonogo.decide.standing import ORDER_STANDS
from gonogo.decide.water.evening import FOR_TOMORROW
from gonogo.decide.water.watering import DRY_CRUST
from gonogo.records.day_plan import DayPlan, StripPlan, Task
from gonogo.records.site import Site
from gonogo.records.verdict import Decision, OutlookDay, Verdict
from gonogo.records.work_order import PlannedWork, Work, WorkOrder

NO_PLACE = "no_place"  # rule id of a strip that would be watered first, had the roller time for it today
DAMPED = frozenset(("keep_surface_damp", "moisten_crust"))
DISKED = frozenset(("aerate_thin_layers", "disk_and_aerate"))


def with_places(site: Site, decisions: Sequence[Decision], order: WorkOrder) -> tuple[Decision, ...]:
    """Return the decisions, in which no strip is watered that the roller cannot roll today: it waits for its turn."""
    planned = {w.strip_id for w in order.works if w.work == Work.ROLLING and "today" in w.flags}
    return tuple(
        replace(
            d,
            verdict=Verdict.WAIT,
            rule_id=NO_PLACE,
            reason="crust_roller_full" if d.reason == DRY_CRUST else "roller_full",
            from_utc=None,
            until_utc=None,
            water=None,
            advice=tuple(key for key in d.advice if key in ("lightning", "forecast_old", "look_for_water")),
            test=(),
        )
        if d.verdict == Verdict.WATER and d.strip_id not in planned and d.rule_id != ORDER_STANDS
        else d
        for d in decisions
    )


def as_planned(decisions: Sequence[Decision], plan: DayPlan) -> tuple[Decision, ...]:
    """Return the decisions with the plan's chances, hours, litres, next try, and only the advice that it bears out.

    What the rules saw stays as it was in `seen`.
    """
    found = []
    for decision in decisions:
        told = plan.strip(decision.strip_id)
        if told is None:
            found.append(decision)
            continue
        # Work whose hours are over is no order any more: whether it was done is asked.
        jobs = {job.task: job for job in plan.jobs_of(decision.strip_id) if job.end_utc > plan.made_utc}
        water = jobs.get(Task.WATER) or jobs.get(Task.DAMP)
        found.append(
            replace(
                decision,
                verdict=told.verdict,
                from_utc=told.roll_from_utc,
                until_utc=told.roll_by_utc,
                next_utc=told.next.at_utc if told.verdict == Verdict.WAIT and told.next is not None else None,
                water=None if water is None else water.water,
                facts=_facts(decision, told),
                advice=_advice(decision, plan, told, is_damped=Task.DAMP in jobs or decision.reason == DRY_CRUST),
            )
        )
    return tuple(found)


def _facts(decision: Decision, told: StripPlan) -> dict[str, float]:
    """Return the facts with the chances of the hours in which the strip is rolled."""
    planned = {name: float(getattr(told, name)) for name in CHANCES if name in decision.facts}
    return decision.facts | planned


def outlook_as_planned(outlook: Sequence[OutlookDay], plan: DayPlan) -> tuple[OutlookDay, ...]:
    """Return the days ahead; today of a strip that is rolled as it lies has the chance and hours of its place."""
    found = []
    for day in outlook:
        told = plan.strip(day.strip_id) if day.day == plan.day else None
        rolling = None if told is None else plan.rolling(day.strip_id)
        if told is None or told.verdict == Verdict.WATER or day.is_rolled:
            found.append(day)
            continue
        if rolling is None:  # an order that stands keeps its chance when its hours are over
            found.append(replace(day, chance=told.chance_in_window) if told.verdict == Verdict.COMPACT else day)
            continue
        found.append(replace(day, chance=told.chance_in_window, from_utc=rolling.start_utc, until_utc=rolling.end_utc))
    return tuple(found)


def order_as_planned(order: WorkOrder, decisions: Mapping[str, Decision], plan: DayPlan, site: Site) -> WorkOrder:
    """Return the order of work with today's part as the plan has it."""

    def is_kept(work: PlannedWork) -> bool:
        if times.local_date(work.start_utc, site.zone) != plan.day:
            return True
        if work.end_utc <= plan.made_utc:
            return False
        if work.work == Work.WATERING:
            decision = decisions[work.strip_id]
            return decision.verdict == Verdict.WATER or decision.reason == FOR_TOMORROW
        return work.work == Work.ROLLING

    sealing = [
        PlannedWork(
            strip_id="",
            lift=0,
            crew_id=sealed.crew_id,
            work=Work.SEALING,
            start_utc=sealed.start_utc,
            end_utc=sealed.by_utc,
            chance=float("nan"),
            area_m2=0.0,
            expected_area_m2=0.0,
        )
        for sealed in plan.sealings
    ]
    works = sorted(
        (*(w for w in order.works if is_kept(w)), *sealing),
        key=lambda w: (w.start_utc, w.crew_id, w.work, w.strip_id),
    )
    return replace(order, works=tuple(works))


def _advice(decision: Decision, plan: DayPlan, told: StripPlan, *, is_damped: bool) -> tuple[str, ...]:
    """Return the advice without what the plan has nobody do, and with what it has done."""
    sealing = plan.sealing(told.crew_id)
    is_sealed = sealing is not None and told.strip_id in sealing.strips
    back = told.dry_back
    keys: list[str] = []
    for key in decision.advice:
        if key in DAMPED and not is_damped:
            continue
        if key in ("seal_before_rain", "seal_at_shift_end") and not is_sealed:
            continue
        if key == "very_wet_remove_or_treat" and back is not None and not back.is_hopeless:
            key = "disk_and_aerate"
        if key in DISKED and back is not None and back.is_hopeless:
            key = "very_wet_remove_or_treat"
        keys.append(key)
    return tuple(dict.fromkeys(keys))
