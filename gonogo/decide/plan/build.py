"""The day plan of a run, from its verdicts, its order of work and what was recorded."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime

from gonogo.decide.judge import Judgement
from gonogo.decide.plan import rain, sealing
from gonogo.decide.plan.basis import Basis, last_shift_end_utc, next_shift_utc
from gonogo.decide.plan.jobs import jobs as jobs_of_today
from gonogo.decide.plan.strips import strip_plan, waiting
from gonogo.decide.windows import epoch_h
from gonogo.moisture.lift_history import lift_history, lifts_done
from gonogo.records import shift
from gonogo.records.day_plan import Badge, DayPlan, Job, StripPlan
from gonogo.records.days_off import pause_after
from gonogo.records.field import Entry
from gonogo.records.site import Site
from gonogo.records.verdict import Decision
from gonogo.records.work_order import WorkOrder
from gonogo.soil.readings import FAR, IMPOSSIBLE


def build(
    judgement: Judgement,
    decisions: Sequence[Decision],
    order: WorkOrder,
    *,
    edition: str,
    done: Mapping[str, int],
) -> DayPlan:
    """Return the day plan of a morning that has a verdict.

    decisions   in which no strip is watered that the order does not roll today
    order   the proposed order of work, whose part of today the plan spells out
    edition   "morning", or the name of a re-check
    done    by strip id, how many of its lifts were rolled
    """
    inputs = judgement.inputs
    site = inputs.site
    prepared = judgement.prepared
    basis = Basis(
        prepared=prepared,
        decisions={d.strip_id: d for d in decisions},
        histories={strip.id: s for strip, s in zip(inputs.strips, judgement.histories, strict=True)},
        refused={
            (r.strip_id, r.at_utc): judgement.moisture.expected_pct.get(i, (math.nan, math.nan))
            for (r, key, _), (i, _, _) in zip(judgement.reading_notes, judgement.moisture.reading_flags, strict=True)
            if key in (IMPOSSIBLE, FAR)
        },
        unknown=judgement.unknown,
        disked=judgement.disked,
        order=order,
        done=done,
        shift_utc=shift.shift_utc(site, inputs.day),
        next_shift_utc=next_shift_utc(site, inputs.day),
    )
    jobs = jobs_of_today(basis)
    plans = [strip_plan(basis, s, jobs) for s in range(len(inputs.strips))]
    start_utc, end_utc = basis.shift_utc
    last_end_utc = last_shift_end_utc(site, inputs.day)
    horizon_utc = basis.next_shift_utc or end_utc
    return DayPlan(
        site_id=site.id,
        day=inputs.day,
        edition=edition,
        made_utc=inputs.now_utc,
        shift_start_utc=start_utc,
        shift_end_utc=end_utc,
        next_shift_utc=basis.next_shift_utc,
        is_knowable=True,
        strips=ranked(site, plans, jobs),
        jobs=jobs,
        sealings=sealing.sealings(basis, jobs),
        rain=rain.spells(prepared, epoch_h(inputs.now_utc), epoch_h(horizon_utc)),
        fallen_mm=rain.fallen_mm(prepared, epoch_h(last_end_utc), epoch_h(inputs.now_utc)),
        fallen_since_utc=last_end_utc,
        pause=pause_after(site, inputs.day),
    )


def no_plan(
    site: Site, decisions: Sequence[Decision], entries: Sequence[Entry], *, day: date, now_utc: datetime, edition: str
) -> DayPlan:
    """Return the plan of a run without a verdict: every strip waits for a test; its last one is shown."""
    start_utc, end_utc = shift.shift_utc(site, day)
    by_id = {d.strip_id: d for d in decisions}
    plans = [
        waiting(
            site,
            strip,
            by_id[strip.id],
            lift_history(strip, entries, now_utc, site),
            lifts_done(strip, entries, now_utc, site),
        )
        for strip in site.strips
        if strip.id in by_id
    ]
    return DayPlan(
        site_id=site.id,
        day=day,
        edition=edition,
        made_utc=now_utc,
        shift_start_utc=start_utc,
        shift_end_utc=end_utc,
        next_shift_utc=next_shift_utc(site, day),
        is_knowable=False,
        strips=ranked(site, plans, ()),
        jobs=(),
        sealings=(),
        rain=(),
        fallen_mm=float("nan"),
        fallen_since_utc=None,
        pause=pause_after(site, day),
    )


def ranked(site: Site, plans: Sequence[StripPlan], jobs: Sequence[Job]) -> tuple[StripPlan, ...]:
    """Return the strips by crew in working order: by their first job, then what is tested, what waits, what is done."""
    first = {job.strip_id: job.start_utc.timestamp() for job in reversed(jobs)}
    badges = list(Badge)
    crews = [crew.id for crew in site.crews]

    def place(plan: StripPlan) -> tuple[int, int, float, int]:
        is_idle = plan.badge in (Badge.WAIT, Badge.DONE)
        at = first.get(plan.strip_id, float("inf"))
        return crews.index(plan.crew_id), badges.index(plan.badge) if is_idle else -1, at, badges.index(plan.badge)

    ordered = sorted(plans, key=place)
    ranks: dict[str, int] = {}
    found = []
    for plan in ordered:
        ranks[plan.crew_id] = ranks.get(plan.crew_id, 0) + 1
        found.append(replace(plan, rank=ranks[plan.crew_id]))
    return tuple(found)
