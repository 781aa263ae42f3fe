"""Finished strips: the mails of the day name them, those of the next working day for the last time."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from gonogo import times
from gonogo.mail.morning import Morning
from gonogo.records.day_plan import Badge
from gonogo.records.days_off import next_working_day


def without_finished(morning: Morning) -> Morning:
    """Return a morning without the strips that have left its mails: those finished before the last working day.

    One whose finish nobody recorded stays, and one whose lift is open again comes back.
    """
    gone = {
        strip.strip_id
        for strip in morning.plan.strips
        if strip.badge == Badge.DONE and strip.finished_utc is not None and _has_left(morning, strip.finished_utc)
    }
    if not gone:
        return morning
    changes = morning.changes
    return replace(
        morning,
        site=replace(morning.site, strips=tuple(strip for strip in morning.site.strips if strip.id not in gone)),
        decisions=[decision for decision in morning.decisions if decision.strip_id not in gone],
        outlook=[day for day in morning.outlook if day.strip_id not in gone],
        changes=None if changes is None else [change for change in changes if change.strip_id not in gone],
        paths={strip_id: path for strip_id, path in morning.paths.items() if strip_id not in gone},
    )


def _has_left(morning: Morning, finished_utc: datetime) -> bool:
    """Whether the first working day after the finish, whose mails name the strip once more, is over."""
    parting = next_working_day(morning.site, times.local_date(finished_utc, morning.site.zone))
    return parting is not None and morning.plan.day > parting
