"""Who hears of a mail that did not come: its reader until the shift is over, and the operator; nobody of a notice."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from example_mornings import example_config, plain_of

from gonogo import config
from gonogo.outgoing import notices
from gonogo.records import shift
from gonogo.store.queued import Queued

OPERATOR = "operator@example.com"
DAY = datetime(2026, 5, 12, tzinfo=UTC)


@pytest.fixture
def loaded(tmp_path: Path) -> config.Config:
    return replace(example_config(tmp_path), operator_address=OPERATOR)


def late(loaded: config.Config, kind: str = "morning", **changes: object) -> Queued:
    site = loaded.sites[0]
    crew = site.crews[0]
    put_utc = DAY + timedelta(hours=10, minutes=30)
    fields: dict[str, object] = {
        "id": 1, "message_id": f"<{kind}.20260512.{site.id}.abc@example.com>", "run_id": 7, "site_id": site.id,
        "crew_id": crew.id, "kind": kind, "role": "superintendent", "name": "Ana", "address": "ana@example.com",
        "language": "en", "subject": "x", "put_utc": put_utc, "deadline_utc": put_utc, "state": "expired",
        "next_try_utc": put_utc, "n_tries": 3, "n_crashes": 0, "lease_owner": None, "lease_until_utc": None,
        "settled_utc": put_utc, "last_error": "451 try later",
    }  # fmt: skip
    return Queued(**(fields | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("kind", "said"), [("morning", "This morning's mail"), ("recheck", "Verdicts of this morning")]
)
def test_a_reader_and_the_operator_hear_of_a_mail_that_was_too_late(
    loaded: config.Config, kind: str, said: str
) -> None:
    now_utc = DAY + timedelta(hours=15)
    to_reader, to_operator = notices.expired_fallback(loaded, now_utc)(late(loaded, kind))
    assert (to_reader.address, to_reader.kind, to_reader.run_id) == ("ana@example.com", "notice", 7)
    assert said in plain_of(to_reader)
    assert "every strip waits" in plain_of(to_reader)
    assert (to_operator.address, to_operator.kind) == (OPERATOR, "operator")
    assert "451 try later" in plain_of(to_operator)
    # A notice is of use until the shift is over, a word to the operator for a day.
    _, shift_end_utc = shift.shift_utc(loaded.sites[0], DAY.date())
    assert to_reader.deadline_utc == shift_end_utc
    assert to_operator.deadline_utc == now_utc + timedelta(hours=24)


def test_once_the_shift_is_over_only_the_operator_hears(loaded: config.Config) -> None:
    _, shift_end_utc = shift.shift_utc(loaded.sites[0], DAY.date())
    before, after = (
        [made.kind for made in notices.expired_fallback(loaded, at)(late(loaded))]
        for at in (shift_end_utc - timedelta(seconds=1), shift_end_utc)
    )
    assert before == ["notice", "operator"]
    assert after == ["operator"]


@pytest.mark.parametrize("kind", ["notice", "operator"])
def test_about_a_notice_that_was_too_late_there_is_no_further_one(loaded: config.Config, kind: str) -> None:
    assert tuple(notices.expired_fallback(loaded, DAY)(late(loaded, kind))) == ()


@pytest.mark.parametrize(("kind", "n_told"), [("morning", 1), ("recheck", 1), ("notice", 1), ("operator", 0)])
def test_the_operator_hears_of_every_mail_that_was_given_up_but_his_own(
    loaded: config.Config, kind: str, n_told: int
) -> None:
    for state, how in (("refused", "refused by the mail server for good"), ("set_aside", "given up after many faults")):
        made = tuple(notices.failed_fallback(loaded, DAY)(late(loaded, kind, state=state)))
        told = [mail for mail in made if mail.address == OPERATOR]
        assert len(told) == n_told
        assert all(how in " ".join(plain_of(mail).split()) for mail in told)
        # A crew whose mail kills its worker has a plain notice in its stead; whom a server refuses, it refuses again.
        is_replaced = state == "set_aside" and kind in notices.CREW_KINDS
        others = [(mail.address, mail.kind) for mail in made if mail.address != OPERATOR]
        assert others == ([("ana@example.com", "notice")] if is_replaced else [])


def test_the_same_fault_of_a_day_tells_nobody_twice_and_another_tells_again(loaded: config.Config) -> None:
    def ids(queued: Queued, hour: float) -> list[str]:
        return [m.message_id for m in notices.expired_fallback(loaded, DAY + timedelta(hours=hour))(queued)]

    first = ids(late(loaded), 15)
    assert ids(late(loaded), 16) == first
    other_reader = ids(late(loaded, message_id="<morning.20260512.x.def@example.com>", address="bo@example.com"), 15)
    assert other_reader[0] != first[0]
    assert other_reader[1] == first[1]
    assert set(ids(late(loaded, "recheck"), 15)).isdisjoint(first)


def test_without_an_operator_the_reader_still_hears(loaded: config.Config) -> None:
    alone = replace(loaded, operator_address=None)
    assert [m.kind for m in notices.expired_fallback(alone, DAY + timedelta(hours=15))(late(alone))] == ["notice"]
