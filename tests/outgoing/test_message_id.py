"""A Message-ID tells different mails apart, and nothing else: the outbox sends each once."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from example_mornings import example_config, example_frame
from sites import small_site

from gonogo.outgoing.frame import RunFrame
from gonogo.outgoing.message_id import day_of, mail_id, message_id
from gonogo.records.site import Crew, Recipient
from gonogo.store.queued import Queued


@pytest.fixture
def frame(tmp_path: Path) -> RunFrame:
    return example_frame(example_config(tmp_path), None)  # type: ignore[arg-type]


def first(frame: RunFrame) -> tuple[Crew, Recipient]:
    return frame.site.crews[0], frame.site.crews[0].recipients[0]


def test_another_reader_role_crew_site_date_or_edition_is_another_mail(frame: RunFrame) -> None:
    crew, person = first(frame)
    ids = [
        mail_id(frame, crew, person),
        mail_id(frame, crew, replace(person, address="other@example.com")),
        mail_id(frame, crew, replace(person, role="planner" if person.role != "planner" else "driver")),
        mail_id(frame, replace(crew, id="other"), person),
        mail_id(replace(frame, site=replace(frame.site, id="other")), crew, person),
        mail_id(replace(frame, day=frame.day + timedelta(days=1)), crew, person),
        mail_id(replace(frame, day=frame.day + timedelta(days=31)), crew, person),
        mail_id(replace(frame, edition="look-0900"), crew, person),
        mail_id(replace(frame, n_void=1), crew, person),
        mail_id(replace(frame, n_void=2), crew, person),
    ]
    assert len(set(ids)) == len(ids)


def test_the_same_mail_made_again_has_the_same_identifier(frame: RunFrame) -> None:
    crew, person = first(frame)
    later = replace(frame, now_utc=frame.now_utc + timedelta(hours=1), owner="another", keeps=False)
    told_otherwise = replace(person, name="Another Name", units="us", language="es")
    assert mail_id(later, replace(crew, name="Renamed"), told_otherwise) == mail_id(frame, crew, person)


def test_every_reader_of_the_example_has_an_identifier_of_its_own(frame: RunFrame) -> None:
    ids = [mail_id(frame, crew, person) for crew in frame.site.crews for person in crew.recipients]
    assert len(set(ids)) == len(ids) > 1


@pytest.mark.parametrize(
    "other", [{"edition": "late"}, {"day": date(2026, 6, 2)}, {"site_id": "other"}, {"who": "other"}]
)
def test_another_notice_is_another_message(other: dict[str, Any]) -> None:
    usual: dict[str, Any] = {"edition": "operator", "day": date(2026, 6, 1), "site_id": "site", "who": "what|address"}
    assert message_id("gonogo <a@example.com>", **usual) != message_id("gonogo <a@example.com>", **(usual | other))
    assert message_id("gonogo <a@example.com>", **usual).endswith("@example.com>")


@pytest.mark.parametrize("edition", ["morning", "look-0900", "morning-2"])
def test_a_mail_says_which_date_it_is_about_whenever_it_was_put(frame: RunFrame, edition: str) -> None:
    made = mail_id(replace(frame, edition=edition, day=date(2026, 12, 31)), *first(frame))
    assert day_of(queued(made), frame.site) == date(2026, 12, 31)


def test_a_mail_of_another_form_is_about_the_local_date_on_which_it_was_put() -> None:
    """02:30 UTC is still the evening before in Chicago."""
    foreign = queued("<abc@example.com>")
    assert day_of(foreign, small_site()) == date(2026, 5, 31)
    assert day_of(foreign, None) == date(2026, 6, 1)


def queued(message_id: str) -> Queued:
    put_utc = datetime(2026, 6, 1, 2, 30, tzinfo=UTC)
    return Queued(
        id=1, message_id=message_id, run_id=None, site_id="s", crew_id="c", kind="morning", role="driver", name="Dee",
        address="dee@example.com", language="en", subject="x", put_utc=put_utc, deadline_utc=put_utc, state="waiting",
        next_try_utc=put_utc, n_tries=0, n_crashes=0, lease_owner=None, lease_until_utc=None, settled_utc=None,
        last_error="",
    )  # fmt: skip
