"""Which of the day's mails a person wants, and when."""

from __future__ import annotations

from datetime import UTC, date, datetime, time

import pytest
from sites import CREW, small_site

from gonogo.outgoing import wishes
from gonogo.records.site import Recipient
from gonogo.records.work_order import Change

WEDNESDAY = date(2026, 6, 17)
MOVED = (Change(strip_id="N1", what="verdict", before="wait", after="compact"),)
RAIN_ONLY = (Change(strip_id="", what="rain"),)


def person(**changes: object) -> Recipient:
    return Recipient(**({"name": "Ana Boss", "address": "ana@example.com", "role": "superintendent"} | changes))


# who, the first mail of the day, a verdict was made, what changed: is the mail wanted?
CASES = {
    "everybody gets the morning": ({}, True, True, (), True),
    "and each look": ({}, False, True, MOVED, True),
    "not on other days": ({"mail_days": (0, 1)}, True, True, (), False),
    "on these days": ({"mail_days": (2,)}, True, True, (), True),
    "no later mails": ({"mails": ("morning",)}, False, True, MOVED, False),
    "later mails alone": ({"mails": ("recheck",)}, True, True, MOVED, False),
    "nothing changed": ({"only_changes": True}, True, True, (), False),
    "rain is no change of a verdict": ({"only_changes": True}, True, True, RAIN_ONLY, False),
    "something changed": ({"only_changes": True}, True, True, MOVED, True),
    "nothing to compare with": ({"only_changes": True}, True, True, None, True),
    "no verdict is always told": ({"only_changes": True}, True, False, (), True),
}


@pytest.mark.parametrize("case", CASES)
def test_a_person_gets_what_was_asked_for(case: str) -> None:
    changes, is_first, has_verdict, moved, wanted = CASES[case]
    found = wishes.is_wanted(
        person(**changes),
        (CREW,),
        day=WEDNESDAY,
        is_first=is_first,
        has_verdict=has_verdict,
        changes={CREW.id: moved},
    )
    assert found == wanted


# Local time at the site (UTC - 5 h), quiet hours, until when a mail is held.
@pytest.mark.parametrize(
    ("hour", "minute", "quiet", "until"),
    [
        (4, 59, (time(19), time(5)), datetime(2026, 6, 17, 10, 0, tzinfo=UTC)),
        (5, 0, (time(19), time(5)), None),
        (22, 30, (time(19), time(5)), datetime(2026, 6, 18, 10, 0, tzinfo=UTC)),
        (12, 15, (time(12), time(13)), datetime(2026, 6, 17, 18, 0, tzinfo=UTC)),
        (13, 0, (time(12), time(13)), None),
        (4, 0, None, None),
    ],
)
def test_a_mail_is_held_until_quiet_hours_are_over(
    hour: int, minute: int, quiet: tuple[time, time] | None, until: datetime | None
) -> None:
    site = small_site()
    now = datetime(2026, 6, 17, hour, minute, tzinfo=site.zone)
    assert wishes.held_until_utc(person(quiet=quiet), site, now.astimezone(UTC)) == until
