"""The outlook of a site as plain lines for a terminal: strips by days, order of work, what changed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date

from gonogo.page.view import OutlookView
from gonogo.records.site import Site
from gonogo.records.verdict import Decision, Verdict
from gonogo.wording import phrases
from gonogo.wording.clock import Clock
from gonogo.wording.items import ChangeView, OrderView, StripView
from gonogo.wording.language import Speaker
from gonogo.wording.phrases import Phrase
from gonogo.wording.plain import day_table, hang, sentences, tidy, wrap
from gonogo.wording.sentences import reason


def screen(view: OutlookView, speak: Speaker) -> str:
    """Return the outlook in a language and its units."""
    forecast = "text.forecast_old" if view.weather.is_old else "text.forecast"
    sky = view.weather
    parts = [
        wrap(speak.word("page.title", site=view.site)),
        wrap(speak.word("page.when", day=view.day, time=view.now)),
        wrap(speak.word("text.zone", zone=view.zone)),
        wrap(speak.word(forecast, service=sky.service, fetched=sky.fetched, age=sky.age)),
        "",
        *_today(view.strips, speak),
        *_titled("title.horizon", speak),
        day_table(view.days, view.rows, speak),
        "",
        wrap(speak.word("page.table_key_text", needed=view.needed)),
        wrap(speak.word("text.rain_key", floor=view.rain_floor)),
        *(_order(view.order, speak) if view.order is not None else ()),
        *(_changes(view.changes, speak) if view.changes is not None else ()),
        *_titled("title.cautions", speak),
        *_bullets(view.cautions, speak),
    ]
    return tidy("\n".join(parts)).rstrip("\n")


def verdicts(site: Site, day: date, decisions: Sequence[Decision], speak: Speaker) -> str:
    """Return the verdicts of a site: two lines per strip, its hours and litres, and why."""
    clock = Clock(site=site, day=day)
    words = {decision.strip_id: speak.word(f"verdict.{decision.verdict}") for decision in decisions}
    width = max(map(len, words.values()), default=0) + 2
    lines = []
    for decision in decisions:
        span = clock.span(decision.from_utc, decision.until_utc)
        plan = decision.water if decision.verdict is Verdict.WATER else None
        shown = (
            site.strip(decision.strip_id).name,
            "" if span is None else speak.say(span),
            "" if plan is None else speak.say(phrases.amount("litres", plan.litres)),
        )
        lines.append(hang("   ".join(filter(None, shown)), words[decision.strip_id], 0, width))
        lines.append(hang(sentences(speak, reason(decision, clock)), "", 0, width))
    return tidy("\n".join(lines)).rstrip("\n")


def _titled(key: str, speak: Speaker) -> tuple[str, ...]:
    title = speak.word(key)
    return "", title, "-" * len(title)


def _today(strips: Sequence[StripView], speak: Speaker) -> Iterator[str]:
    """A line a strip: its verdict today and its hours."""
    width = max((len(speak.word(f"verdict.{strip.verdict}")) for strip in strips), default=0) + 2
    for strip in strips:
        hours = "" if strip.when is None else f"   {speak.say(strip.when)}"
        yield hang(f"{strip.name}{hours}", speak.word(f"verdict.{strip.verdict}"), 0, width)


def _order(order: OrderView, speak: Speaker) -> Iterator[str]:
    yield from _titled("title.order", speak)
    yield wrap(sentences(speak, order.gain, (order.proof,)))
    if not order.days:
        yield wrap(speak.word("order.none"))
    width = max((len(work.crew) for day in order.days for work in day.works), default=0) + 2
    for day in order.days:
        yield ""
        yield speak.say(day.day)
        for work in day.works:
            yield hang(sentences(speak, work.line, work.notes), work.crew, 0, width)
    if order.unplanned:
        yield from ("", speak.word("order.unplanned_title"))
        yield from _bullets(order.unplanned, speak)


def _changes(changes: Sequence[ChangeView], speak: Speaker) -> Iterator[str]:
    yield from _titled("title.changes", speak)
    for change in changes:
        yield hang(sentences(speak, change.what, (*change.more, *change.why)), "-", 0, 2)
    if not changes:
        yield wrap(speak.word("page.no_changes"))


def _bullets(lines: Sequence[Phrase], speak: Speaker) -> Iterator[str]:
    for line in lines:
        yield hang(speak.say(line), "-", 0, 2)
