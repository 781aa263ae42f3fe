"""What changed since a previous run, and why, as sentences with typed gaps."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import replace

from gonogo import times
from gonogo.records.site import Strip
from gonogo.records.verdict import Decision
from gonogo.records.work_order import Change, Why
from gonogo.wording.clock import Clock
from gonogo.wording.items import ChangeView
from gonogo.wording.phrases import Day, Moment, Number, Phrase, phrase
from gonogo.wording.sentences import Facts, reason, sentence


def changes_view(
    changes: Sequence[Change], own: Mapping[str, Strip], clock: Clock, decisions: Mapping[str, Decision]
) -> tuple[ChangeView, ...]:
    """Return what changed for some strips and for the whole site; changes of the same causes give them once.

    decisions   by strip: their reasons close what is said of these strips, for a mail that need not be read further
    """
    own_changes = (c for c in changes if not c.strip_id or c.strip_id in own)
    groups = itertools.groupby(own_changes, key=lambda c: (c.strip_id, c.why))
    views = ((key[0], _changes_of_a_strip(tuple(group), own, clock)) for key, group in groups)
    return tuple(
        replace(view, why=(*view.why, reason(decisions[strip_id], clock))) if strip_id in decisions else view
        for strip_id, view in views
    )


def _changes_of_a_strip(changes: Sequence[Change], own: Mapping[str, Strip], clock: Clock) -> ChangeView:
    """Return changes of one strip with the same causes; a lift that is still to come is named."""
    first, *others = changes
    lift, what = first.numbers.get("lift", 1.0), what_changed(first, clock)
    if first.strip_id:
        key = "change.strip_lift" if lift > 1 else "change.strip"
        what = phrase(key, strip=own[first.strip_id].name, lift=Number(value=lift), what=what)
    more = tuple(
        phrase("change.lift", lift=Number(value=c.numbers["lift"]), what=what_changed(c, clock))
        if c.numbers.get("lift", 1.0) > 1
        else what_changed(c, clock)
        for c in others
    )
    return ChangeView(what=what, more=more, why=tuple(_cause(why, clock) for why in first.why if _is_news(first, why)))


def _is_news(change: Change, why: Why) -> bool:
    """Whether a cause says more than the change itself: that a lift was rolled is no cause of its being rolled."""
    return (change.what, why.key) not in (("lift_done", "rolled"), ("lift_spread", "spread"))


def what_changed(change: Change, clock: Clock) -> Phrase:
    facts = Facts(
        numbers=change.numbers,
        moments={"before_utc": change.before_utc, "after_utc": change.after_utc},
        words={"before": change.before, "after": change.after},
    )
    what = sentence("changed", change.what, facts, clock)
    if change.what == "window":
        before = clock.span(change.before_utc, change.before_until_utc) or phrase("form.none")
        after = clock.span(change.after_utc, change.after_until_utc) or phrase("form.none")
        return Phrase(key=what.key, gaps={"before": before, "after": after})
    if change.what == "rain" and change.after_utc is not None:
        day = times.local_date(change.after_utc, clock.site.zone)
        return Phrase(key=what.key, gaps={**what.gaps, "after_utc": Day(day=day)})
    was, now = what.gaps.get("before_utc"), what.gaps.get("after_utc")
    if isinstance(was, Moment) and isinstance(now, Moment) and now.is_other_day and not was.is_other_day:
        today = replace(was, is_other_day=True, is_near=True)  # "Thu 07:00 instead of 07:00" is of which day?
        return Phrase(key=what.key, gaps={**what.gaps, "before_utc": today})
    return what


def _cause(why: Why, clock: Clock) -> Phrase:
    return sentence("cause", why.key, Facts(numbers=why.numbers, moments={"at_utc": why.at_utc}), clock)
