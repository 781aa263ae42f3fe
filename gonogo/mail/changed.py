"""The head of a later mail: what has changed, with what it was, and what to do where the work is done already."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from gonogo.decide.changes import WORTH_A_MAIL
from gonogo.mail.items import StripRow
from gonogo.mail.morning import Morning
from gonogo.records.day_plan import Task
from gonogo.records.work_order import Change
from gonogo.wording.changes import what_changed
from gonogo.wording.instruction import short_name
from gonogo.wording.phrases import Names, Phrase, phrase

CHANGES_AT_MOST = 3  # told above the line; the others stand in their rows


def changed(morning: Morning, rows: Sequence[StripRow]) -> tuple[Phrase, ...]:
    """Return what changed since the last mail, each strip once, and the branches of what may be done already."""
    firsts = _firsts(morning)
    if not firsts:
        return ()
    return tuple(_lines(morning, firsts, {row.instruction.strip_id for row in rows}))


def changed_strips(morning: Morning) -> Names | Phrase | None:
    """Return the strips that changed, for a subject; None where none did."""
    names = tuple(short_name(morning.strips[strip_id]) for strip_id in _firsts(morning))
    if len(names) > CHANGES_AT_MOST:
        return phrase("headline.strips", n=len(names))
    return Names(items=names) if names else None


def _firsts(morning: Morning) -> dict[str, Change]:
    """Return by strip the first thing that changed on it, what a mail was sent for before all else."""
    own = morning.strips
    firsts: dict[str, Change] = {}
    for change in sorted(morning.changes or (), key=lambda c: c.what not in WORTH_A_MAIL):
        if change.strip_id in own:
            firsts.setdefault(change.strip_id, change)
    return firsts


def _lines(morning: Morning, firsts: dict[str, Change], shown: set[str]) -> Iterator[Phrase]:
    own, clock = morning.strips, morning.clock
    changes = list(firsts.items())
    for strip_id, change in changes[:CHANGES_AT_MOST]:
        yield phrase("change.strip", strip=short_name(own[strip_id]), what=what_changed(change, clock))
    if len(changes) > CHANGES_AT_MOST:
        yield phrase("changed_head.more", n=len(changes) - CHANGES_AT_MOST)
    tasks = {task for strip_id, _ in changes for task in _may_be_done(morning, strip_id)}
    for task in (Task.WATER, Task.ROLL):
        if task in tasks:
            yield phrase(f"changed_head.if_{task}")
    if shown - set(firsts):
        yield phrase("changed_head.rest_stands")


def _may_be_done(morning: Morning, strip_id: str) -> Iterator[Task]:
    """Yield what an earlier mail of the day had done on a strip that may have begun."""
    strip_plan = morning.plan.strip(strip_id)
    for work in () if strip_plan is None else strip_plan.not_recorded:
        yield work.task
