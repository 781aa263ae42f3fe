"""What `gonogo whatif` shows: a strip as it is, and as it would be."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime

from gonogo import times
from gonogo.cli.outcome import CommandOutcome, Exit
from gonogo.cli.outlook_report import look_ahead_frame
from gonogo.config import Config
from gonogo.decide.conclusion import Conclusion
from gonogo.decide.whatif import RAIN_LASTS_H, Course, Turn, course, delayed, imagined
from gonogo.download.forecasts import Fetch
from gonogo.errors import ConfigError, Fault
from gonogo.morning import compute, plan, previous
from gonogo.morning.previous import StoredInputs
from gonogo.outgoing.frame import RunFrame
from gonogo.records.site import Site, Strip
from gonogo.store.open import open_store
from gonogo.wording import phrases, plain, strips
from gonogo.wording.clock import Clock
from gonogo.wording.horizon import horizon
from gonogo.wording.items import CellView, StripView
from gonogo.wording.language import Speaker
from gonogo.wording.phrases import Gap, Names, Phrase, phrase

# What can be imagined: least (not itself) and greatest, and what would be right.
LIMITS: dict[str, tuple[float, str]] = {
    "litres": (1_000_000.0, "Write litres for the whole strip, for example --water 9000."),
    "rain_mm": (300.0, "Write millimetres, for example --rain 8."),
    "delay_h": (240.0, "Write hours, for example --delay 24."),
}
OPTIONS = {"litres": "--water", "rain_mm": "--rain", "delay_h": "--delay"}


@dataclass(frozen=True, slots=True, kw_only=True)
class WhatifQuestion:
    """What is asked, of which strip, and when."""

    site: Site
    strip: Strip
    turn: Turn
    now_utc: datetime


def checked(turn: Turn) -> Turn:
    """Return a turn whose numbers can be. Raises ConfigError that names option, value and what would be right."""
    faults = []
    for field, (most, right) in LIMITS.items():
        value = getattr(turn, field)
        if not (math.isfinite(value) and 0.0 <= value <= most):
            wrong = f"lies outside 0 to {most:,.0f}."
            faults.append(Fault(place="command line", key=OPTIONS[field], value=f"{value:g}", wrong=wrong, right=right))
    if not faults and turn == Turn():
        right = "Give --water, --rain, --disk or --delay, for example --water 9000."
        faults.append(Fault(place="command line", key="whatif", value="", wrong="nothing is asked.", right=right))
    if faults:
        raise ConfigError(faults)
    return turn


def show(
    config: Config,
    asked: WhatifQuestion,
    *,
    speak: Speaker,
    only_stored: bool = False,
    fetch: Fetch | None = None,
) -> CommandOutcome:
    """Return what a strip would do after a turn, beside what it does as things are. No verdict is stored or sent."""
    site, now_utc = asked.site, asked.now_utc
    store = open_store(config)
    try:
        frame = look_ahead_frame(config, site, now_utc=now_utc, store=store, only_stored=only_stored, fetch=fetch)
        stored = previous.load(frame)
        came = compute.conclude(frame, stored)
    finally:
        store.dispose()
    if came.judgement is None or came.weather is None or not came.has_verdict:
        why = "\n".join(came.faults)
        return CommandOutcome(
            text=f"{site.name}: not known, there is no usable weather.\n{why}", exit_code=Exit.NO_VERDICT
        )
    is_it = course(asked.strip.id, came.decisions, came.outlook)
    return CommandOutcome(text=text(asked, is_it, _would(frame, stored, came, asked), speak), exit_code=Exit.OK)


def _would(frame: RunFrame, stored: StoredInputs, came: Conclusion, asked: WhatifQuestion) -> Course:
    """Return what the strip would do, told as a morning tells it: planned beside the other strips."""
    assert came.judgement is not None, "only a conclusion with a verdict has courses"
    assert came.weather is not None, "only a conclusion with a verdict has courses"
    turn, strip_id = asked.turn, asked.strip.id
    judgement = came.judgement
    if turn.changes_anything:
        weather, entries = imagined(turn, strip_id, asked.now_utc, came.weather, stored.entries)
        stored = replace(stored, entries=entries)
        judgement = compute.judge_again(frame, stored, weather, came.drawn_with)
        came = replace(
            came,
            decisions=judgement.decisions,
            outlook=judgement.outlook,
            judgement=judgement,
            weather=weather,
        )
        came = plan.planned(frame, came, stored)
    if turn.delay_h > 0.0:
        return delayed(judgement, strip_id, turn.delay_h)
    return course(strip_id, came.decisions, came.outlook)


def text(frame: WhatifQuestion, is_it: Course, would: Course, speak: Speaker) -> str:
    """Return the two courses side by side, in a language and its units."""
    site, strip, turn = frame.site, frame.strip, frame.turn
    clock = Clock(site=site, day=times.local_date(frame.now_utc, site.zone))
    now, then = (strips.strip(c.decision, strip, site, clock) for c in (is_it, would))
    rows = [("", speak.word("whatif.as_is"), speak.word("whatif.if"))]
    for key, shown in (
        ("verdict", _verdict),
        ("hours", _hours),
        ("moisture", _moisture),
        ("chance", _chance),
        ("water", _water),
        ("next", _next),
    ):
        rows.append((speak.word(f"whatif.{key}"), speak.say(shown(is_it, now)), speak.say(shown(would, then))))
    own = {strip.id: strip}
    _, dry = horizon(is_it.outlook, own, clock, _needed(is_it), {strip.id: now})
    _, wet = horizon(would.outlook, own, clock, _needed(would), {strip.id: then})
    other = {cell.day.day: cell for row in wet for cell in row.cells}
    for cell in (cell for row in dry for cell in row.cells):
        rows.append((speak.say(cell.day), _cell(cell, speak), _cell(other.get(cell.day.day), speak)))
    asked = Names(items=tuple(_asked(turn)))
    name_width, width = (max(len(row[k]) for row in rows) + 2 for k in (0, 1))
    return plain.tidy(
        "\n".join(
            [
                plain.wrap(speak.word("whatif.title", strip=strip.name, site=site.name, asked=asked)),
                plain.wrap(speak.word("text.optimum", **_window(now))),
                "",
                *(f"{name:<{name_width}}{left:<{width}}{right}" for name, left, right in rows),
                "",
                *(
                    plain.hang(plain.sentences(speak, view.reason), f"{head}:", 0)
                    for head, view in zip(rows[0][1:], (now, then), strict=True)
                ),
                "",
                plain.wrap(f"{speak.word('whatif.same_members')} {speak.word('caution.short')}"),
            ]
        )
    ).rstrip("\n")


def _window(view: StripView) -> dict[str, Gap]:
    return {
        "optimum": view.optimum,
        "low": view.window_low,
        "high": view.window_high,
        "material": view.material,
        "test": view.test,
    }


def _needed(course: Course) -> float:
    return course.decision.facts.get("chance_needed", math.nan)


def _cell(cell: CellView | None, speak: Speaker) -> str:
    """Return a day of a strip in a line."""
    return "" if cell is None else " ".join(speak.say(part) for part in (cell.shown, cell.below) if part is not None)


def _asked(turn: Turn) -> Iterator[Phrase]:
    if turn.litres > 0.0:
        yield phrase("whatif.if_litres", litres=phrases.amount("litres", turn.litres))
    if turn.rain_mm > 0.0:
        hours = phrases.duration(RAIN_LASTS_H)
        yield phrase("whatif.if_rain", rain=phrases.amount("rain_mm", turn.rain_mm), hours=hours)
    if turn.is_disked:
        yield phrase("whatif.if_disked")
    if turn.delay_h > 0.0:
        yield phrase("whatif.if_later", hours=phrases.duration(turn.delay_h))


def _verdict(course: Course, _view: StripView) -> Gap:
    return phrase(f"verdict.{course.decision.verdict}")


def _hours(_course: Course, view: StripView) -> Gap:
    return view.window or phrase("form.none")


def _moisture(_course: Course, view: StripView) -> Gap:
    if not view.has_moisture:
        return phrase("form.unknown")
    return phrase("whatif.band", moisture=view.moisture, low=view.moisture_low, high=view.moisture_high)


def _chance(course: Course, _view: StripView) -> Gap:
    return phrases.chance(course.decision.facts.get("chance_in_window", math.nan))


def _water(course: Course, _view: StripView) -> Gap:
    plan = course.decision.water
    return phrase("form.none") if plan is None else phrases.amount("litres", plan.litres)


def _next(_course: Course, view: StripView) -> Gap:
    return view.window.start if view.window else view.next or phrase("form.none")
