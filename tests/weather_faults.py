"""Faults in recorded answers, counted by what they make of a verdict: on demand.

    python tests/weather_faults.py --weeks 25 --seed 1 [--table found.csv --minutes 5]

Weeks, soils and tests are drawn from a seed, each with rain in the shift of its morning. Every fault of
broken_answers.py is put into the week's answer; the service's answer of the day before and a second service stand
beside it, or neither with --alone; the strips are judged as a morning judges them. Answers that are refused leave the
same morning behind, which is judged once a week. A move is a strip that the sound answer leaves and the broken one
compacts; it is silent where no note of the mail speaks of the fault. With a table each answer is kept as it is
counted, and a run goes on where the last one stopped.

Counted with seed 21, 17 weeks, a second service and the answer of before: of 1,275 answers whose fault betrays itself
18 moved a strip, none silently; of 221 whose fault another answer shows 23 moved one, 1 silently (a third of the rain,
which a second service has since been held against). With --alone 8 of the former moved one, 2 silently (amounts three
hours late, and in tenths of mm), and 84 of the latter, all silently: nothing else is there that could show them.
"""

from __future__ import annotations

import argparse
import copy
import csv
import json
import logging
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parent / "mornings")]

import generated  # noqa: E402
import one_site_config  # noqa: E402
import record  # noqa: E402
import weather_forms  # noqa: E402
from broken_answers import OWN, SECOND, Fault  # noqa: E402
from weather_scenario import body  # noqa: E402

from gonogo.download import forecasts  # noqa: E402
from gonogo.download.usable import usable  # noqa: E402
from gonogo.errors import WeatherError  # noqa: E402
from gonogo.morning import compute, judging, plan  # noqa: E402
from gonogo.morning.previous import StoredInputs  # noqa: E402
from gonogo.outgoing.frame import RunFrame  # noqa: E402
from gonogo.records.outside import Answer, ServiceSettings  # noqa: E402
from gonogo.records.verdict import Verdict  # noqa: E402


def drawn_week(n: int, folder: Path) -> tuple[Any, datetime, Any]:
    """Return (scenario, moment, config) of a week that brings rain into the shift."""
    draw = random.Random(n)
    day = date(2026, draw.randint(3, 10), draw.randint(1, 28))
    day += timedelta(days=(7 - day.weekday()) % 7 if day.weekday() > 4 else 0)
    at_utc = datetime(day.year, day.month, day.day, 5, 30, tzinfo=UTC)
    latitude_deg = round(draw.choice((-1, 1)) * draw.uniform(5.0, 58.0), 2)
    drawn = generated._scenario(draw, at_utc, latitude_deg, warmth=draw.uniform(0.5, 0.95))
    first = datetime(day.year, day.month, day.day, draw.randint(7, 13), tzinfo=UTC)
    amounts = tuple(round(draw.uniform(0.8, 5.0), 1) for _ in range(draw.randint(3, 8)))
    scenario = replace(drawn, showers=(*drawn.showers, (first, amounts, draw.uniform(0.86, 1.0), False)))
    (folder / "config" / "sites").mkdir(parents=True)
    service = '[[weather]]\nservice = "met_norway"\n'
    (folder / "config" / "gonogo.toml").write_text(one_site_config.GONOGO + service, encoding="utf-8")
    (folder / "config" / "sites" / f"drawn-{n}.toml").write_text(_site(draw, scenario, at_utc), "utf-8")
    return scenario, at_utc, record.load(folder / "config", folder)


def _site(draw: random.Random, scenario: Any, at_utc: datetime) -> str:
    """The site's file with tests near the optimum: strips that only the rain keeps from being compacted."""
    lines = generated._site(draw, scenario, at_utc).splitlines()
    optimum = 0.0
    for at, line in enumerate(lines):
        if line.startswith("omc_pct"):
            optimum = float(line.split("=")[1])
        if line.startswith("w_pct"):
            lines[at] = f"w_pct = {optimum + draw.uniform(-0.8, 0.8):.1f}"
    return "\n".join(line.replace('method = "hand feel"', 'method = "oven"') for line in lines) + "\n"


class Week:
    """A drawn week with what may be asked: its answer, the answer of the day before, a second service."""

    def __init__(self, n: int, folder: Path, *, is_alone: bool = False) -> None:
        self.is_alone = is_alone
        self.refused: tuple[dict[str, Verdict], tuple[str, ...]] | None = None
        self.scenario, self.at_utc, self.config = drawn_week(n, folder)
        self.site = self.config.sites[0]
        self.entries = self.config.readings[self.site.id]
        self.whole = body(self.scenario)
        self.now = self.whole["hourly"]["time"].index(int(self.scenario.morning_utc.timestamp()))
        yesterday = replace(self.scenario, morning_utc=self.scenario.morning_utc - timedelta(days=1))
        self.before = self.answer("open_meteo", body(yesterday), self.at_utc - timedelta(days=1))
        form = weather_forms.met_norway(self.scenario, self.whole["hourly"])
        self.second = self.answer("met_norway", form, self.at_utc)

    def answer(self, service: str, whole: dict[str, Any], fetched_utc: datetime) -> Answer:
        raw = json.dumps(whole).encode()
        return Answer(
            service=service, url="https://w.example.com", fetched_utc=fetched_utc, status=200, headers={}, body=raw
        )

    def verdicts(self, fault: Fault | None) -> tuple[dict[str, Verdict], tuple[str, ...]]:
        """Return (verdict by strip, keys of the notes) of the morning with a fault in its answer."""
        whole = copy.deepcopy(self.whole)
        if fault is not None:
            fault(whole, self.now)
        answer = self.answer("open_meteo", whole, self.at_utc)
        try:
            usable(answer, self.site, self.at_utc)
        except WeatherError:
            self.refused = self.refused or self._judged(answer)
            return self.refused
        return self._judged(answer)

    def _judged(self, answer: Answer) -> tuple[dict[str, Verdict], tuple[str, ...]]:
        answers = {"open_meteo": answer} | ({} if self.is_alone else {"met_norway": self.second})
        stored = () if self.is_alone else (self.before,)

        def ask(order: tuple[str, ...]) -> forecasts.Downloaded:
            return _asked(self.site, order, answers, stored, self.at_utc)

        frame = RunFrame(
            config=self.config,
            site=self.site,
            day=self.at_utc.date(),
            now_utc=self.at_utc,
            deadline_utc=self.at_utc,
            store=None,  # type: ignore[arg-type]
            fetch=lambda *_: ask(tuple(answers)),
            second=None if self.is_alone else lambda *given: ask(tuple(name for name in answers if name != given[3])),
            keeps=False,
        )
        came = compute.conclude(frame, StoredInputs(entries=self.entries, answers=stored))
        notes = tuple(found.key for found in came.weather.notes) if came.weather is not None else ()
        told = (*notes, *(["faults"] if came.faults else []), *(["reason"] if came.reason else []))
        return {d.strip_id: d.verdict for d in came.decisions}, told


def _asked(
    site: Any, order: tuple[str, ...], answers: dict[str, Answer], stored: tuple[Answer, ...], now_utc: datetime
) -> forecasts.Downloaded:
    """Ask the services in their order, without a network: each answers what `answers` holds."""
    real = forecasts.answered
    forecasts.answered = lambda question: _answered(question, answers)
    try:
        settings = [ServiceSettings(name=name) for name in order]
        return forecasts.forecast(site, settings, now_utc=now_utc, stored=stored)
    finally:
        forecasts.answered = real


def _answered(question: Any, answers: dict[str, Answer]) -> Any:
    answer = answers[question.settings.name]
    return answer, question.usable(answer)


UNTOLD = {"past_from_forecasts", "radiation_from_cloud", "pressure_from_elevation", "long_steps", "gauge_used"}
UNTOLD |= {"rain_before_unknown", "second_agrees", "snow_by_temperature", "gauge_left_out", "past_from_gauge"}


COUNTS = ("weeks", "told", "moved", "silent", "refused")
Counted = dict[tuple[int, str], Counter[str]]  # by week and fault


def counted(
    weeks: range,
    found: Counted,
    *,
    until: float,
    keep: Callable[[int, str, Counter[str]], None],
    is_alone: bool = False,
) -> None:
    """Count, by week and fault: refused or told, moved a strip, moved one silently; what is there already stands."""
    for n in weeks:
        left = [name for name in (*OWN, *SECOND) if (n, name) not in found]
        if not left or time.monotonic() > until:
            continue
        with tempfile.TemporaryDirectory() as made:
            week = Week(n, Path(made), is_alone=is_alone)
            sound, quiet = week.verdicts(None)
            for name in left:
                if time.monotonic() > until:
                    break
                verdicts, notes = week.verdicts((OWN | SECOND)[name])
                moved = [s for s, v in verdicts.items() if v is Verdict.COMPACT and sound[s] is not Verdict.COMPACT]
                is_told = bool(set(notes) - set(quiet) - UNTOLD)
                is_refused = verdicts != sound and not moved
                found[n, name] = Counter(
                    weeks=1, told=is_told, moved=bool(moved), silent=bool(moved) and not is_told, refused=is_refused
                )
                keep(n, name, found[n, name])
        print(f"week {n}: " + ", ".join(f"{s} {v}" for s, v in sound.items()), flush=True)


def kept(path: Path) -> Counted:
    """Return what a table holds."""
    if not path.exists():
        return {}
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return {(int(row["week"]), row["fault"]): Counter({k: int(row[k]) for k in COUNTS}) for row in rows}


def report(found: Counted) -> None:
    for group, names in (("in the answer", OWN), ("by a second source", SECOND)):
        by_fault = {name: sum((c for (_, of), c in found.items() if of == name), Counter()) for name in names}
        total: Counter[str] = sum(by_fault.values(), Counter())
        print(f"\nfaults that show {group}: {total['weeks']} answers, {total['moved']} moved, {total['silent']} silent")
        for name, of in by_fault.items():
            numbers = " ".join(f"{of[key]:>4} {key}" for key in ("told", "moved", "silent"))
            print(f"  {name:<46} {of['weeks']:>4} tried {numbers}")


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--weeks", type=int, default=25)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--alone", action="store_true", help="one service, and no answer of before")
    asked.add_argument("--table", type=Path)
    asked.add_argument("--minutes", type=float, default=1e6)
    asked.add_argument("--members", type=int, help="with which close verdicts are judged again; less is faster")
    given = asked.parse_args()
    judging.MEMBERS_CLOSE = given.members or judging.MEMBERS_CLOSE
    logging.disable(logging.CRITICAL)
    plan.planned = lambda _frame, came, _stored: came  # the order of work moves no verdict
    found: Counted = {} if given.table is None else kept(given.table)
    weeks = range(given.seed * 1000, given.seed * 1000 + given.weeks)
    until = time.monotonic() + 60.0 * given.minutes
    counted(weeks, found, until=until, keep=partial(_keep, given.table), is_alone=given.alone)
    report(found)
    return 0


def _keep(path: Path | None, week: int, fault: str, of: Counter[str]) -> None:
    if path is None:
        return
    is_new = not path.exists()
    with path.open("a", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        if is_new:
            writer.writerow(["week", "fault", *COUNTS])
        writer.writerow([week, fault, *(int(of[k]) for k in COUNTS)])


if __name__ == "__main__":
    sys.exit(main())
