"""What `gonogo whatif` shows: a strip as it is, and as it would be."""

from __future__ import annotations

import math
from datetime import datetime

import numpy as np

from gonogo import times
from gonogo.cli.outcome import Exit, Outcome
from gonogo.cli.outlook_report import from_store
from gonogo.config import Config
from gonogo.decide.whatif import RAIN_LASTS_H, Course, Turn, courses
from gonogo.download.forecasts import Fetch
from gonogo.download.rounds import Rounds
from gonogo.errors import ConfigError, Fault, WeatherError
from gonogo.morning import answers, compute, previous
from gonogo.page import words
from gonogo.records.site import Site, Strip
from gonogo.service.clock import clock_utc
from gonogo.store import learned, schema
from gonogo.store.open import open_store

# What can be imagined: least (not itself) and greatest, and what would be right.
LIMITS: dict[str, tuple[float, str]] = {
    "litres": (1_000_000.0, "Write litres for the whole strip, for example --water 9000."),
    "rain_mm": (300.0, "Write millimetres, for example --rain 8."),
    "delay_h": (240.0, "Write hours, for example --delay 24."),
}
OPTIONS = {"litres": "--water", "rain_mm": "--rain", "delay_h": "--delay"}


def checked(turn: Turn) -> Turn:
    """Return a turn whose numbers can be. Raises ConfigError that names option, value and what would be right."""
    faults = []
    for field, (most, right) in LIMITS.items():
        value = getattr(turn, field)
        if not (math.isfinite(value) and 0.0 <= value <= most):
            wrong = f"lies outside 0 to {most:,.0f}."
            faults.append(Fault(place="command line", key=OPTIONS[field], value=value, wrong=wrong, right=right))
    if not faults and turn == Turn():
        right = "Give --water, --rain, --disk or --delay, for example --water 9000."
        faults.append(Fault(place="command line", key="whatif", value="", wrong="nothing is asked.", right=right))
    if faults:
        raise ConfigError(faults)
    return turn


def show(
    config: Config,
    site: Site,
    strip: Strip,
    turn: Turn,
    *,
    now_utc: datetime,
    units: str,
    only_stored: bool = False,
    fetch: Fetch | None = None,
) -> Outcome:
    """Return what a strip would do after a turn, beside what it does as things are. No verdict is stored or sent."""
    ask = from_store if only_stored else fetch or Rounds(config, clock_utc=clock_utc).fetch
    day, settings = times.local_date(now_utc, site.zone), config.settings[site.id]
    seed = compute.seed(site, day, "whatif")
    store = open_store(config)
    try:
        with schema.read(store) as connection:
            entries, stored = previous.load(connection, config, site, now_utc)
            stored_soil = learned.rows(connection, site.id, until_utc=now_utc)
        downloaded = ask(site, now_utc, stored)
        if not only_stored:
            answers.keep_answer(store, site, downloaded)
        weather = compute.checked_weather(
            site,
            downloaded,
            now_utc=now_utc,
            entries=entries,
            stored=stored,
            n_members=round(settings["ensemble_members"]),
            rng=np.random.default_rng(seed),
        )
    except WeatherError as error:
        return Outcome(text=f"{site.name}: not known, there is no usable weather.\n{error}", exit_code=Exit.NO_VERDICT)
    finally:
        store.dispose()
    is_it, would = courses(
        site,
        strip.id,
        turn,
        day=day,
        now_utc=now_utc,
        weather=weather,
        entries=entries,
        settings=settings,
        seed=seed,
        stored_soil=stored_soil,
    )
    shown = text(site, strip, turn, is_it, would, now_utc=now_utc, units=units)
    return Outcome(text=shown, exit_code=Exit.OK)


def text(site: Site, strip: Strip, turn: Turn, is_it: Course, would: Course, *, now_utc: datetime, units: str) -> str:
    """Return the two courses side by side."""
    material = site.material(strip.material_id)
    low, high = (material.omc_pct + edge for edge in (material.window_low_pct, material.window_high_pct))
    rows = [("", "as it is", "what if")]
    for name, of in (
        ("verdict today" if turn.delay_h == 0.0 else "verdict", _verdict),
        ("reason", lambda c: c.decision.reason.replace("_", " ")),
        ("rolling hours", lambda c: _hours(site, c)),
        ("moisture", _moisture),
        ("chance then", lambda c: words.percent(c.decision.facts.get("chance_in_window", math.nan))),
        ("water to put on", lambda c: _water(c, units)),
        ("first likely hour", lambda c: _first(site, c)),
    ):
        rows.append((name, of(is_it), of(would)))
    days = {row.day: row for row in would.outlook}
    for row in is_it.outlook:
        other = days.get(row.day)
        rows.append(
            (
                f"{row.day:%a %d %b}",
                " ".join(filter(None, words.cell(row))),
                "" if other is None else " ".join(filter(None, words.cell(other))),
            )
        )
    return "\n".join(
        [
            f"{strip.name} ({site.name}), {words.moment(site, now_utc)} site time: what if {_asked(turn, units)}?",
            f"Window {low:.1f} % to {high:.1f} %, optimum {material.omc_pct:.1f} %.",
            "",
            *(f"{name:<20}{left:<26}{right}".rstrip() for name, left, right in rows),
            "",
            "Both are drawn with the same members, so that what differs comes of the question alone.",
            "Advice from a model: tests, specification and the responsible engineer decide.",
        ]
    )


def _asked(turn: Turn, units: str) -> str:
    parts = []
    if turn.litres > 0.0:
        parts.append(f"{words.amount('litres', turn.litres, units)} are put on now")
    if turn.rain_mm > 0.0:
        parts.append(f"{words.amount('rain_mm', turn.rain_mm, units)} more rain fall within {RAIN_LASTS_H} h")
    if turn.is_disked:
        parts.append("it is disked now")
    if turn.delay_h > 0.0:
        parts.append(f"work begins {turn.delay_h:g} h later")
    return " and ".join(parts)


def _verdict(course: Course) -> str:
    return words.VERDICTS[course.decision.verdict].upper()


def _hours(site: Site, course: Course) -> str:
    made = course.decision
    if made.from_utc is None or made.until_utc is None:
        return "none today"
    return f"{words.moment(site, made.from_utc)} to {made.until_utc.astimezone(site.zone):%H:%M}"


def _moisture(course: Course) -> str:
    made = course.decision
    if np.isnan(made.w_now_pct):
        return "unknown"
    return f"{made.w_now_pct:.1f} % ({made.w_p10_pct:.1f} to {made.w_p90_pct:.1f})"


def _water(course: Course, units: str) -> str:
    plan = course.decision.water
    return "none" if plan is None else words.amount("litres", plan.litres, units)


def _first(site: Site, course: Course) -> str:
    made = course.decision
    return words.moment(site, made.from_utc or made.next_utc)
