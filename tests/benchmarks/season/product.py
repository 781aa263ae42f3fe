"""The product behind the mails: the one file of the season that imports it. Run as a process of its own.

    python product.py CONFIG_FOLDER        one question a line on stdin, one answer a line on stdout (told.py has both)

Only what stands in a mail is passed on, word for word: an advice without hour or litres gives none.
"""

from __future__ import annotations

import json
import math
import os
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from gonogo import times
from gonogo.config import Config, load
from gonogo.decide.changes import Said
from gonogo.decide.conclusion import Conclusion
from gonogo.download import forecasts
from gonogo.download.forecasts import Downloaded
from gonogo.mail import sky
from gonogo.moisture.learned import LearnedSoil
from gonogo.moisture.lift_history import lifts_done
from gonogo.morning import recheck
from gonogo.morning.compute import conclude
from gonogo.morning.previous import Earlier, Told
from gonogo.records import shift
from gonogo.records.field import Entry, GaugeRain, Reading, SurfaceWork, Watering
from gonogo.records.outside import Answer
from gonogo.records.site import Site
from gonogo.records.verdict import Decision, Verdict
from gonogo.records.work_order import PlannedWork, Work

TESTED_THEN_ROLLED = "test_then_roll"
DISKED = ("disk_and_aerate", "aerate_thin_layers")
FIRST_DISKING_H, TEST_AFTER_DISKING_H = 9.0, 14.0  # the mail says "then test again": the crew's own hours
LIFTS_AHEAD = 2
# A failed lift that was broken up again is recorded as what the mail asks for: the next one, spread.
WORK_OF = {"rolled": "rolled", "sealed": "sealed", "disked": "disked", "spread": "spread", "reworked": "spread"}


def entry(values: dict[str, Any]) -> Entry:
    """Return what a crew recorded as the product's entry."""
    at = datetime.fromisoformat(values["at"])
    kind = values["kind"]
    if kind == "test":
        return Reading(strip_id=values["strip"], at_utc=at, w_pct=values["w_pct"], method="nuclear gauge")
    if kind == "watered":
        return Watering(strip_id=values["strip"], at_utc=at, litres=values["litres"])
    if kind == "gauge":
        return GaugeRain(from_utc=datetime.fromisoformat(values["from"]), until_utc=at, rain_mm=values["rain_mm"])
    return SurfaceWork(strip_id=values["strip"], at_utc=at, work=WORK_OF[kind], passes=values.get("passes"))


class Mornings:
    """Mornings and looks of one site in a row, with what the product keeps between them."""

    def __init__(self, folder: Path) -> None:
        self.config: Config = load(folder, environ={})
        self.site: Site = self.config.sites[0]
        self.answers: list[Answer] = []
        self.soil: list[LearnedSoil] = []
        self.told: dict[str, Told] = {}
        self.last: tuple[datetime, Conclusion] | None = None
        self.said: Said | None = None
        self.day: date | None = None

    def ask(self, question: dict[str, Any]) -> dict[str, Any]:
        """Return what the mails of a morning or a look say."""
        now_utc, day = datetime.fromisoformat(question["now"]), date.fromisoformat(question["day"])
        if day != self.day:
            self.day, self.said = day, self._as_said()
        entries = (*self.config.readings[self.site.id], *(entry(e) for e in question["entries"]))
        conclusion = conclude(
            self.config,
            self._with_lifts_near(entries, now_utc),
            day=day,
            issue=question["issue"],
            now_utc=now_utc,
            entries=entries,
            fetch=lambda *_: self._forecast(question["body"], now_utc),
            stored=tuple(self.answers),
            earlier=Earlier(said=self.said, order=self.last[1].order if self.last else None),
            stored_soil=tuple(self.soil),
        )
        if conclusion.judgement is None:
            raise RuntimeError(f"{day}: no verdict: {conclusion.reason} {conclusion.error}")
        self.soil += conclusion.judgement.lessons
        self.last = (now_utc, conclusion)
        crews = self._mailed(conclusion, question["issue"], day, now_utc)
        return answer(self.site, conclusion, crews, day, now_utc)

    def _with_lifts_near(self, entries: Sequence[Entry], now_utc: datetime) -> Site:
        """The site with the next two lifts of each strip: later ones change nothing today and cost most time."""
        strips = tuple(
            replace(strip, lifts=min(strip.lifts, lifts_done(strip, entries, now_utc) + LIFTS_AHEAD))
            for strip in self.site.strips
        )
        return replace(self.site, strips=strips)

    def _as_said(self) -> Said | None:
        if self.last is None:
            return None
        at_utc, last = self.last
        return Said(at_utc=at_utc, decisions=last.decisions, outlook=last.outlook, order=last.order)

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

    def _mailed(self, conclusion: Conclusion, issue: str, day: date, now_utc: datetime) -> list[str]:
        """Which crews get a mail: all in the morning, later those for whom something changed."""
        crews = [crew.id for crew in self.site.crews]
        if issue != "morning":
            found, faults = recheck.changed(self.config, self.site, conclusion, self.told, day=day, now_utc=now_utc)
            if faults:
                raise RuntimeError(faults[0])
            crews = list(found)
        for crew_id in crews:
            own = {s.id for s in self.site.strips if s.crew_id == crew_id}
            self.told[crew_id] = Told(
                run_id=0,
                at_utc=now_utc,
                decisions=tuple(d for d in conclusion.decisions if d.strip_id in own),
                outlook=tuple(o for o in conclusion.outlook if o.strip_id in own),
            )
        return crews


def answer(site: Site, conclusion: Conclusion, crews: Sequence[str], day: date, now_utc: datetime) -> dict[str, Any]:
    """Return what the mails of a conclusion say, for the strips of the crews that got one."""
    midnight = times.moment_utc(day, datetime.min.time(), site.zone)

    def hour(at_utc: datetime | None) -> float | None:
        return None if at_utc is None else round((at_utc - midnight) / timedelta(hours=1), 3)

    works = () if conclusion.order is None else conclusion.order.works
    today = [w for w in works if times.local_date(w.start_utc, site.zone) == day]
    strips, rain_h, spread = [], {}, {}
    assert conclusion.weather is not None
    rain_from = sky.today(conclusion.weather, site, day, now_utc).rain_from
    for decision in conclusion.decisions:
        crew = site.strip(decision.strip_id).crew_id
        if crew not in crews:
            continue
        strips.append(said_of(site, decision, today, hour, now_utc))
        rain_h[crew] = None if rain_from is None else rain_from.at_local.hour + rain_from.at_local.minute / 60.0
        spread[crew] = spread.get(crew, False) or "spread_no_more" in decision.advice
    return {"crews": list(crews), "strips": strips, "rain_h": rain_h, "spread_before_rain": spread}


def said_of(
    site: Site, decision: Decision, today: Sequence[PlannedWork], hour: Any, now_utc: datetime
) -> dict[str, Any]:
    """Return what the superintendent's mail and the driver's card say of one strip."""
    rolling = next((w for w in today if w.strip_id == decision.strip_id and w.work == Work.ROLLING), None)
    crew = site.strip(decision.strip_id).crew_id
    said: dict[str, Any] = {
        "strip": decision.strip_id,
        "verdict": "wait",
        "rank": hour(rolling.start_utc) if rolling else 30.0,
        "seal_by_h": _seal_by_h(site, decision, [w for w in today if w.crew_id == crew], hour, now_utc),
        "is_said_rolled": decision.reason == "already_rolled",
        "said": f"{decision.verdict} {decision.reason} {decision.w_now_pct:.1f} "
        f"({decision.w_p10_pct:.1f}-{decision.w_p90_pct:.1f}) {' '.join(decision.advice)}",
    }
    if decision.verdict != Verdict.WAIT:
        starts = [w for w in (decision.from_utc, rolling.start_utc if rolling else None) if w is not None]
        said |= {"roll_from_h": hour(max(starts, default=None)), "roll_until_h": hour(decision.until_utc)}
    if decision.verdict == Verdict.COMPACT:
        said |= {"verdict": "roll", "damp_litres": decision.water.litres if decision.water else 0.0}
    elif decision.verdict == Verdict.WATER and decision.water is not None:
        said |= {
            "verdict": "water",
            "litres": decision.water.litres,
            "water_from_h": hour(decision.water.start_utc),
            "test_after_water": "test_after_watering" in decision.test,
        }
    elif TESTED_THEN_ROLLED in decision.advice:
        said |= {"verdict": "test", "test_first": True}
    elif any(key in decision.advice for key in DISKED):
        said |= {"disk_at_h": [FIRST_DISKING_H], "test_after_disk_h": TEST_AFTER_DISKING_H}
    elif decision.reason == "split_lift":
        said |= {"disk_at_h": [7.0], "test_after_disk_h": 7.0, "rolls_after_disk": True}
    return said


def _seal_by_h(
    site: Site, decision: Decision, today: Sequence[PlannedWork], hour: Any, now_utc: datetime
) -> float | None:
    """Before the rain where the mail says so, else by the end of the shift where mail or order has it sealed."""
    start_utc, end_utc = shift.shift_utc(site, times.local_date(now_utc, site.zone))
    end_h = float(hour(end_utc))
    until_rain_h = decision.facts.get("hours_until_rain_h", math.inf)
    if "seal_before_rain" in decision.advice and math.isfinite(until_rain_h):
        return min(float(hour(max(now_utc, start_utc))) + until_rain_h, end_h)
    is_in_order = any(w.work == Work.SEALING for w in today)
    return end_h if is_in_order or "seal_at_shift_end" in decision.advice else None


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
