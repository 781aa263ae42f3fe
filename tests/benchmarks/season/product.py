"""The product behind the mails: the one file of the season that imports it. Run as a process of its own.

    python product.py CONFIG_FOLDER        one question a line on stdin, one answer a line on stdout (told.py has both)

What the mails say is read from the day plan, of which they are views: an advice without hour or litres gives none.
"""

from __future__ import annotations

import json
import math
import os
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from gonogo import times
from gonogo.config import Config, load
from gonogo.decide.changes import PreviousRun
from gonogo.decide.conclusion import Conclusion
from gonogo.decide.plan_keys import RESULT_IN
from gonogo.download import forecasts
from gonogo.download.forecasts import Downloaded
from gonogo.moisture.learned import LearnedSoil
from gonogo.moisture.lift_history import lifts_done
from gonogo.morning import recheck
from gonogo.morning.compute import conclude
from gonogo.morning.previous import PreviousRuns, StoredInputs, told_plans
from gonogo.outgoing.frame import RunFrame
from gonogo.records.day_plan import DayPlan, StripPlan, Task, TestFirst, Then
from gonogo.records.field import Entry, GaugeRain, Reading, SurfaceWork, Watering
from gonogo.records.outside import Answer
from gonogo.records.site import Site
from gonogo.records.verdict import Verdict

LIFTS_AHEAD = 2
# A failed lift that was broken up again is recorded as it was done: disked.
WORK_OF = {"rolled": "rolled", "sealed": "sealed", "disked": "disked", "spread": "spread", "reworked": "disked"}
Hour = Callable[[datetime | None], float | None]


def entry(values: dict[str, Any]) -> Entry:
    """Return what a crew recorded as the product's entry."""
    at = datetime.fromisoformat(values["at"])
    kind = values["kind"]
    if kind in ("test", "density"):
        density = values.get("dry_density_kg_m3")
        return Reading(
            strip_id=values["strip"],
            at_utc=at,
            w_pct=values["w_pct"],
            method="nuclear gauge",
            dry_density_kg_m3=density,
        )
    if kind == "watered":
        return Watering(strip_id=values["strip"], at_utc=at, litres=values["litres"])
    if kind == "gauge":
        return GaugeRain(from_utc=datetime.fromisoformat(values["from"]), until_utc=at, rain_mm=values["rain_mm"])
    return SurfaceWork(strip_id=values["strip"], at_utc=at, work=WORK_OF[kind], passes=values.get("passes"))


class Mornings:
    """Mornings and re-checks of one site in a row, with what the product keeps between them."""

    def __init__(self, folder: Path) -> None:
        self.config: Config = load(folder, environ={})
        self.site: Site = self.config.sites[0]
        self.answers: list[Answer] = []
        self.soil: list[LearnedSoil] = []
        self.plans: list[DayPlan] = []
        self.mailed: dict[tuple[date, str], frozenset[str]] = {}
        self.today: dict[str, PreviousRun] = {}
        self.last: tuple[datetime, Conclusion] | None = None
        self.before: PreviousRun | None = None
        self.day: date | None = None

    def ask(self, question: dict[str, Any]) -> dict[str, Any]:
        """Return what the mails of a morning or a re-check say."""
        now_utc, day = datetime.fromisoformat(question["now"]), date.fromisoformat(question["day"])
        if day != self.day:
            self.day, self.before, self.today = day, self._as_previous(), {}
        entries = (*self.config.readings[self.site.id], *(entry(e) for e in question["entries"]))
        frame = RunFrame(
            config=self.config,
            site=self._with_lifts_near(entries, now_utc),
            day=day,
            edition=question["issue"],
            now_utc=now_utc,
            deadline_utc=now_utc,
            store=None,  # type: ignore[arg-type]
            fetch=lambda *_: self._forecast(question["body"], now_utc),
            keeps=False,
        )
        stored = StoredInputs(
            entries=entries,
            answers=tuple(self.answers),
            learned=tuple(self.soil),
            previous=PreviousRuns(
                last=self.before,
                order=self.last[1].order if self.last else None,
                plans=told_plans(self.site, self.plans[-30:], self.mailed),
                today=self.today,
            ),
        )
        conclusion = conclude(frame, stored)
        if conclusion.judgement is None or conclusion.plan is None:
            raise RuntimeError(f"{day}: no verdict: {conclusion.reason} {conclusion.error} {conclusion.faults}")
        self.soil += conclusion.judgement.learned
        self.plans.append(conclusion.plan)
        self.last = (now_utc, conclusion)
        return answer(self.site, conclusion.plan, self._mailed(frame, stored, conclusion))

    def _with_lifts_near(self, entries: Sequence[Entry], now_utc: datetime) -> Site:
        """The site with the next two lifts of each strip: later ones change nothing today and cost most time."""
        strips = tuple(
            replace(strip, lifts=min(strip.lifts, lifts_done(strip, entries, now_utc) + LIFTS_AHEAD))
            for strip in self.site.strips
        )
        return replace(self.site, strips=strips)

    def _as_previous(self) -> PreviousRun | None:
        if self.last is None:
            return None
        at_utc, last = self.last
        return PreviousRun(at_utc=at_utc, decisions=last.decisions, outlook=last.outlook, order=last.order)

    def _forecast(self, body: str, now_utc: datetime) -> Downloaded:
        new = Answer(
            service="open_meteo",
            url="https://weather.example.com",
            fetched_utc=now_utc,
            status=200,
            headers={},
            body=body.encode(),
        )
        found = forecasts.forecast(self.site, (), now_utc=now_utc, stored=(new,))
        self.answers = [new, *self.answers][:40]
        return replace(found, is_stored=False, faults=())

    def _mailed(self, frame: RunFrame, stored: StoredInputs, conclusion: Conclusion) -> list[str]:
        """Which crews get a mail: all in the morning, later those for whom something changed."""
        crews = [crew.id for crew in self.site.crews]
        if frame.edition != "morning":
            found, faults = recheck.changed(frame, stored, conclusion)
            if faults:
                raise RuntimeError(faults[0])
            crews = list(found)
        self.mailed[frame.day, frame.edition] = frozenset(crews)
        for crew_id in crews:
            own = {s.id for s in self.site.strips if s.crew_id == crew_id}
            self.today[crew_id] = PreviousRun(
                at_utc=frame.now_utc,
                decisions=tuple(d for d in conclusion.decisions if d.strip_id in own),
                outlook=tuple(o for o in conclusion.outlook if o.strip_id in own),
            )
        return crews


def answer(site: Site, plan: DayPlan, crews: Sequence[str]) -> dict[str, Any]:
    """Return what the mails of a plan say, for the strips of the crews that got one."""
    midnight = times.moment_utc(plan.day, datetime.min.time(), site.zone)

    def hour(at_utc: datetime | None) -> float | None:
        return None if at_utc is None else round((at_utc - midnight) / timedelta(hours=1), 3)

    strips = [said_of(plan, strip, hour) for strip in plan.strips if strip.crew_id in crews]
    spell = next((s for s in plan.rain if s.rain_mm >= 0.3), None)
    rain_h = None if spell is None or times.local_date(spell.from_utc, site.zone) != plan.day else hour(spell.from_utc)
    stops = {c: any(s.crew_id == c and s.new_lift and s.new_lift.stop == "weather" for s in plan.strips) for c in crews}
    return {
        "crews": list(crews),
        "strips": strips,
        "rain_h": dict.fromkeys(crews, rain_h),
        "spread_before_rain": {c: stops[c] or rain_h is not None for c in crews},
    }


def said_of(plan: DayPlan, strip: StripPlan, hour: Hour) -> dict[str, Any]:
    """Return what the superintendent's mail and the driver's card say of one strip."""
    # As in a mail, work whose hours are over is no instruction any more.
    jobs = {job.task: job for job in plan.jobs_of(strip.strip_id) if job.end_utc > plan.made_utc}
    rolling, water, damp = jobs.get(Task.ROLL), jobs.get(Task.WATER), jobs.get(Task.DAMP)
    sealing = plan.sealing(strip.crew_id)
    coming = strip.new_lift if strip.new_lift is not None and strip.new_lift.test is not None else None
    lies_new = coming is not None and not coming.is_if_rolled
    last = strip.last_test
    said: dict[str, Any] = {
        "strip": strip.strip_id,
        "verdict": "wait",
        # The rows of a mail stand in working order: by their first work of the day, be it a test.
        "rank": float(strip.rank),
        "seal_by_h": hour(sealing.by_utc) if sealing is not None and strip.strip_id in sealing.strips else None,
        "is_said_rolled": strip.reason == "already_rolled" and not lies_new,
        "stop_if_watered": water is not None or damp is not None,
        "stop_since_h": hour(strip.watered_utc),
        "goes_on": strip.test is not None and strip.test.why == RESULT_IN,
        "said": f"{strip.badge} {strip.reason} {strip.w_now_pct:.1f} ({strip.w_p10_pct:.1f}-{strip.w_p90_pct:.1f})"
        f" {last.w_pct if last else ''} {[f'{t.value} {hour(j.start_utc):.1f}' for t, j in jobs.items()]}"
        f" {[(n.task.value, round(n.chance_done, 2)) for n in strip.not_recorded]}",
    }
    if strip.verdict == Verdict.COMPACT:
        said |= {
            "verdict": "roll",
            "roll_from_h": hour(strip.roll_from_utc),
            "roll_until_h": hour(strip.roll_by_utc),
            "damp_litres": damp.litres if damp else 0.0,
        }
    elif strip.verdict == Verdict.WATER and water is not None:
        said |= {
            "verdict": "water",
            "litres": water.litres,
            "is_mixed": strip.reason != "dry_crust",
            "water_from_h": hour(water.start_utc),
            "roll_from_h": None if rolling is None else hour(rolling.start_utc),
            "roll_until_h": hour(strip.roll_by_utc),
            "test_after_water": True,
            "above_disk_at_h": tested(strip.test, hour).get("above_disk_at_h", []),
        }
    elif lies_new:
        assert strip.new_lift is not None
        said |= tested(strip.new_lift.test, hour) | {"roll_until_h": hour(strip.new_lift.roll_by_utc)}
    elif strip.test is not None:
        said |= tested(strip.test, hour)
    elif strip.dry_back is not None and Task.DISK in jobs:
        said |= disked(plan, strip, hour)
    if coming is not None:
        new = tested(coming.test, hour) | {"roll_until_h": hour(coming.roll_by_utc)}
        said["new_lift"] = new | {"strip": strip.strip_id, "rank": said["rank"], "seal_by_h": said["seal_by_h"]}
    return said


def tested(test: TestFirst | None, hour: Hour) -> dict[str, Any]:
    """Return a test that decides, with its branches."""
    if test is None:
        return {}
    return {
        "verdict": "test",
        "test_first": True,
        "test_after_water": test.is_tested_after_water,
        "test_low_pct": test.low_pct,
        "test_high_pct": test.high_pct,
        "test_mean_low_pct": None if math.isnan(test.mean_low_pct) else test.mean_low_pct,
        "test_mean_high_pct": None if math.isnan(test.mean_high_pct) else test.mean_high_pct,
        "edge_from_pct": test.low_pct if math.isnan(test.again_from_pct) else test.again_from_pct,
        "edge_damp_pct": None if math.isnan(test.damp_from_pct) else test.damp_from_pct,
        "edge_damp_litres": 0.0 if math.isnan(test.damp_litres) else test.damp_litres,
        "air_to_pct": None if math.isnan(test.air_to_pct) else test.air_to_pct,
        "air_roll_h": hour(test.air_roll_utc),
        "edge_to_pct": test.high_pct if math.isnan(test.again_to_pct) else test.again_to_pct,
        "test_again_up_to_pct": None if math.isnan(test.again_up_to_pct) else test.again_up_to_pct,
        "test_late_up_to_pct": None if math.isnan(test.late_up_to_pct) else test.late_up_to_pct,
        "below_litres_point": test.litres_per_pct if test.below == Then.WATER else None,
        "above_disk_at_h": [hour(at) for at in test.disk_utc] if test.above == Then.DISK else [],
        "test_after_disk_h": hour(test.again_utc),
        "test_late_h": hour(test.again_late_utc),
        "rolls_after_disk": test.again_utc is not None or test.again_late_utc is not None,
    }


def disked(plan: DayPlan, strip: StripPlan, hour: Hour) -> dict[str, Any]:
    """Return the diskings of a wet strip, and the test after them where it may be ready today."""
    assert strip.dry_back is not None
    hours = [job.start_utc for job in plan.jobs_of(strip.strip_id) if job.task == Task.DISK]
    ready = strip.dry_back.ready
    said: dict[str, Any] = {"disk_at_h": [hour(at) for at in hours]}
    if ready is not None and ready.day == plan.day:
        late = hour(strip.dry_back.again_late_utc)
        said |= {"test_after_disk_h": hour(ready.at_utc), "test_late_h": late, "rolls_after_disk": True}
        said |= {"test_low_pct": strip.dry_back.low_pct, "test_high_pct": strip.dry_back.high_pct}
    return said


def main() -> None:
    """Answer questions until there are none."""
    out = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # whatever a library prints is no answer
    mornings = Mornings(Path(sys.argv[1]))
    for line in sys.stdin:
        out.write(json.dumps(mornings.ask(json.loads(line))) + "\n")
        out.flush()


if __name__ == "__main__":
    main()
