"""Which of the day's mails a person wants, and when: days, kinds, only changes, quiet hours."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import date, datetime, time, timedelta

from gonogo import times
from gonogo.decide.changes import worth_a_mail
from gonogo.records.site import Crew, Recipient, Site
from gonogo.records.work_order import Change


def comes_on(person: Recipient, day: date) -> bool:
    """Return whether mails come to a person on a local date."""
    return person.mail_days is None or day.weekday() in person.mail_days


def is_wanted(
    person: Recipient,
    crews: Sequence[Crew],
    *,
    day: date,
    is_first: bool,
    has_verdict: bool,
    changes: Mapping[str, tuple[Change, ...] | None],
) -> bool:
    """Return whether a person wants a mail about some crews on a local date.

    is_first     the first mail of the day; else a later one
    has_verdict  False where nothing can be known: who asks for changes alone is told of that too
    changes      by crew since its last mail, None where it never had one
    """
    if not comes_on(person, day) or ("morning" if is_first else "recheck") not in person.mails:
        return False
    if not (person.only_changes and is_first and has_verdict):
        return True
    found = [changes.get(crew.id) for crew in crews]
    return any(own is None or worth_a_mail(own) for own in found)


def held_until_utc(person: Recipient, site: Site, now_utc: datetime) -> datetime | None:
    """Return when a person's quiet hours are over that a moment lies in; None where it lies in none."""
    if person.quiet is None:
        return None
    start, end = person.quiet
    local = now_utc.astimezone(site.zone)
    if not _is_within(local.time(), start, end):
        return None
    day = local.date() if local.time() < end else local.date() + timedelta(days=1)
    return times.moment_utc(day, end, site.zone)


def _is_within(at: time, start: time, end: time) -> bool:
    return start <= at < end if start < end else at >= start or at < end


def of_several(crews: Sequence[Crew]) -> Collection[tuple[str, str]]:
    """Return (role, address) of the people who stand in more than one crew with one role: they read one mail."""
    seen: dict[tuple[str, str], set[str]] = {}
    for crew in crews:
        for person in crew.recipients:
            seen.setdefault(reader(person), set()).add(crew.id)
    return {key for key, ids in seen.items() if len(ids) > 1}


def reader(person: Recipient) -> tuple[str, str]:
    """Return what makes two entries of the config the same reader of the same mail: role and address."""
    return person.role, person.address.casefold()
