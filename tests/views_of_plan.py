"""What each view of the day plan tells of a strip today, in one form, so that any two can be compared.

A new view is a function of (Scene, strip id) in VIEWS; what it does not say is left as SILENT.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from hand_made import MEMBERS, N_HOURS

from gonogo.decide.conclusion import Conclusion
from gonogo.decide.inputs import MorningInputs
from gonogo.decide.judge import Judgement
from gonogo.decide.order.propose import propose
from gonogo.decide.outlook import outlook
from gonogo.decide.plan.as_planned import as_planned, order_as_planned, with_places
from gonogo.decide.plan.build import build
from gonogo.decide.verdict import decide
from gonogo.mail import calendar, view
from gonogo.moisture.lift_history import LiftHistory
from gonogo.records.day_plan import DayPlan, Task
from gonogo.records.verdict import Decision
from gonogo.records.work_order import Work, WorkOrder

SILENT = "silent"


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """A morning with its plan and everything that is made of it. mails: by crew the view that its mails are made of."""

    inputs: MorningInputs
    plan: DayPlan
    decisions: dict[str, Decision]
    order: WorkOrder
    mails: dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """Today's instruction for a strip as one view gives it; moments in UTC, litres whole."""

    verdict: object = SILENT
    roll_window: object = SILENT
    rolled_at: object = SILENT
    watered_at: object = SILENT
    litres: object = SILENT
    is_tested_first: object = SILENT
    next_utc: object = SILENT

    def against(self, other: Told) -> list[str]:
        """Return the parts in which both speak and differ."""
        return [
            f"{name}: {getattr(self, name)} against {getattr(other, name)}"
            for name in self.__slots__
            if SILENT not in (getattr(self, name), getattr(other, name)) and getattr(self, name) != getattr(other, name)
        ]


def scene(inputs: MorningInputs, *, done: dict[str, int] | None = None, histories: Any = None) -> Scene:
    """Return a morning made into a plan and its views, as a run makes them."""
    judged = decide(inputs)
    rolled = done or {s.id: int(inputs.is_rolled(k) == 1.0) for k, s in enumerate(inputs.strips)}
    bare = tuple(
        LiftHistory(readings=(), waterings=(), works=(), is_rolled=inputs.is_rolled(k) == 1.0)
        for k, _ in enumerate(inputs.strips)
    )
    judgement = Judgement(
        decisions=judged,
        outlook=outlook(inputs),
        inputs=inputs,
        moisture=None,  # type: ignore[arg-type]
        reading_notes=(),
        closure_error_mm=0.0,
        histories=histories or bare,
    )
    proposed = propose(inputs, judged, done=rolled, before=None)
    placed = with_places(inputs.site, judged, proposed)
    plan = build(judgement, placed, proposed, edition="morning", done=rolled)
    decisions = as_planned(placed, plan)
    by_id = {d.strip_id: d for d in decisions}
    order = order_as_planned(proposed, by_id, plan, inputs.site)
    conclusion = Conclusion(
        decisions=decisions,
        outlook=judgement.outlook,
        weather=inputs.weather,
        judgement=judgement,
        reason="",
        faults=(),
        error="",
        plan=plan,
        order=order,
    )
    return Scene(inputs=inputs, plan=plan, decisions=by_id, order=order, mails=_mails(inputs, conclusion))


def _mails(inputs: MorningInputs, conclusion: Conclusion) -> dict[str, Any]:
    entries = calendar.entries_now((), conclusion.order, inputs.site, day=inputs.day, now_utc=inputs.now_utc)
    return {
        crew.id: view.build(
            inputs.site,
            crew,
            day=inputs.day,
            decisions=conclusion.decisions,
            outlook=conclusion.outlook,
            weather=conclusion.weather,
            now_utc=inputs.now_utc,
            order=conclusion.order,
            entries=entries,
        )
        for crew in inputs.site.crews
    }


# --- views -----------------------------------------------------------------------------------------------------


def _minute(at_utc: datetime | None) -> datetime | None:
    return None if at_utc is None else at_utc.replace(second=0, microsecond=0)


def of_plan(shown: Scene, strip_id: str) -> Told:
    """The record itself."""
    strip = shown.plan.strip(strip_id)
    assert strip is not None
    jobs = {job.task: job for job in shown.plan.jobs_of(strip_id)}
    water, rolling = jobs.get(Task.WATER) or jobs.get(Task.DAMP), jobs.get(Task.ROLL)
    is_wait = strip.verdict == "wait"
    return Told(
        verdict=strip.verdict.value,
        roll_window=(_minute(strip.roll_from_utc), _minute(strip.roll_by_utc)),
        rolled_at=None if rolling is None else (rolling.start_utc, rolling.end_utc),
        watered_at=None if water is None else (water.start_utc, water.end_utc),
        litres=0 if water is None else round(water.litres),
        is_tested_first=rolling is not None and rolling.is_after_test,
        next_utc=strip.next.at_utc if strip.next is not None and is_wait else None,
    )


def of_verdict(shown: Scene, strip_id: str) -> Told:
    """The stored verdict."""
    decision = shown.decisions[strip_id]
    water = decision.water
    return Told(
        verdict=decision.verdict.value,
        roll_window=(_minute(decision.from_utc), _minute(decision.until_utc)),
        watered_at=None if water is None else (water.start_utc, water.finish_utc),
        litres=0 if water is None else round(water.litres),
        next_utc=decision.next_utc,
    )


def of_order(shown: Scene, strip_id: str) -> Told:
    """Today's part of the order of work."""
    works = [w for w in shown.order.works if w.strip_id == strip_id and "today" in w.flags]
    rolling = next((w for w in works if w.work == Work.ROLLING), None)
    water = next((w for w in works if w.work == Work.WATERING), None)
    is_damped = any(job.task == Task.DAMP for job in shown.plan.jobs_of(strip_id))
    return Told(
        rolled_at=None if rolling is None else (rolling.start_utc, rolling.end_utc),
        watered_at=SILENT if is_damped else None if water is None else (water.start_utc, water.end_utc),
        litres=SILENT if is_damped else 0 if water is None else round(water.litres),
        is_tested_first=rolling is not None and bool({"test_first", "water_first"} & set(rolling.flags)),
    )


def of_mail(shown: Scene, strip_id: str) -> Told:
    """The superintendent's strip."""
    strip = next(s for mail in shown.mails.values() for s in mail.strips if s.id == strip_id)
    return Told(
        verdict=strip.verdict,
        watered_at=SILENT if strip.water is not None else None,
        litres=0 if strip.water is None else SILENT,
    )


def of_driver(shown: Scene, strip_id: str) -> Told:
    """The driver's sheet: that a strip is on it, and no strip that is not watered."""
    sheet = [w for mail in shown.mails.values() for w in mail.watering if w.strip_id == strip_id]
    return Told(watered_at=SILENT if sheet else None, litres=SILENT if sheet else 0)


def of_calendar(shown: Scene, strip_id: str) -> Told:
    """The calendar entries of today, to the minute that they show."""
    day = shown.inputs.day
    own = [
        e
        for mail in shown.mails.values()
        for e in mail.entries
        if f"/{strip_id}/" in e.key and e.start_utc.astimezone(shown.inputs.site.zone).date() == day
    ]
    rolling = [e for e in own if e.key.endswith("rolling") and not e.is_cancelled]
    return Told(rolled_at=SILENT if rolling else None)


VIEWS: dict[str, Callable[[Scene, str], Told]] = {
    "plan": of_plan,
    "verdict": of_verdict,
    "order": of_order,
    "mail": of_mail,
    "driver": of_driver,
    "calendar": of_calendar,
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


def drawn(
    rng: np.random.Generator, morning: Callable[..., MorningInputs], make_strip: Callable[..., Any]
) -> MorningInputs:
    """Return a morning with one to five strips of any moisture, weather and history."""
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
            length_m=float(rng.uniform(60, 400)),
            width_m=float(rng.uniform(4, 14)),
            lifts=int(rng.integers(1, 4)),
            priority=int(rng.integers(1, 6)),
        )
        for k in range(n)
    ]
    return morning(
        rng.uniform(9.0, 18.0, n)[None, :, None] * np.ones((1, n, 1)),
        sd_pct=float(rng.uniform(0.1, 1.5)),
        strips=strips,
        rain_mm=rain,
        reading_age_h=rng.choice([5.0, 20.0, 60.0, np.inf], n),
        rained_since_reading_mm=rng.choice([0.0, 0.0, 5.0, 30.0], n),
        rolled=rng.choice([0.0, 0.0, 0.0, 1.0], n),
        work_unknown=rng.choice([0.0, 0.0, 0.0, 1.0], n),
        et0_mm=float(rng.uniform(0.02, 0.6)),
    )
