"""The plan of a run: the order of work, and what changed since the previous run."""

from __future__ import annotations

import logging
from dataclasses import replace

from gonogo.decide.changes import PreviousRun, badges_of, changes
from gonogo.decide.conclusion import Conclusion
from gonogo.decide.order import propose
from gonogo.decide.plan.as_planned import as_planned, order_as_planned, outlook_as_planned, with_places
from gonogo.decide.plan.build import build, no_plan
from gonogo.moisture.lift_history import lifts_done
from gonogo.morning.previous import StoredInputs
from gonogo.outgoing.frame import RunFrame
from gonogo.weather.forecast_status import ForecastStatus
from gonogo.weather.series import fallen_mm

log = logging.getLogger("gonogo.morning.plan")


def planned(frame: RunFrame, conclusion: Conclusion, stored: StoredInputs) -> Conclusion:
    """Return a conclusion with its day plan, order of work and what changed.

    Verdicts and order of work are told as the plan has them. Without a verdict every strip waits, and its last test is
    all that the plan holds.
    """
    judgement, weather = conclusion.judgement, conclusion.weather
    site, now_utc, entries, previous = frame.site, frame.now_utc, stored.entries, stored.previous
    if judgement is None or weather is None or weather.status is ForecastStatus.NONE:
        plan = no_plan(site, conclusion.decisions, entries, day=frame.day, now_utc=now_utc, edition=frame.edition)
        return replace(conclusion, plan=plan)
    site = judgement.inputs.site  # with the strips as they lie
    done = {strip.id: lifts_done(strip, entries, now_utc, site) for strip in site.strips}
    proposed = propose.propose(
        judgement.inputs, judgement.decisions, done=done, before=previous.order, prepared=judgement.prepared
    )
    decisions = with_places(site, judgement.decisions, proposed)
    plan = build(judgement, decisions, proposed, edition=frame.edition, done=done)
    decisions = as_planned(decisions, plan)
    outlook = outlook_as_planned(judgement.outlook, plan)
    order = order_as_planned(proposed, {d.strip_id: d for d in decisions}, plan, site)
    found = None
    if previous.last is not None:
        found = changes(
            site,
            previous.last,
            PreviousRun(at_utc=now_utc, decisions=decisions, outlook=outlook, order=order, badges=badges_of(plan)),
            entries=entries,
            fallen_mm=fallen_mm(weather, previous.last.at_utc, now_utc),
            settings=judgement.inputs.settings,
        )
    faults = (*conclusion.faults, f"order of work as given: {order.fault}") if order.fault else conclusion.faults
    return replace(
        conclusion,
        decisions=decisions,
        outlook=outlook,
        judgement=replace(judgement, decisions=decisions, outlook=outlook),
        plan=plan,
        order=order,
        changes=found,
        faults=faults,
    )
