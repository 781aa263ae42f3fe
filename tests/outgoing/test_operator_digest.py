"""A fault of many sites costs the operator a few mails an hour, not one for each site."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa
from example_mornings import example_config

from gonogo.config import Config
from gonogo.outgoing import delivery, notices, operator_digest
from gonogo.outgoing.notices import OperatorNotice
from gonogo.store import outbox, outcomes, schema
from gonogo.store.queued import Queued

AT_UTC = datetime(2026, 5, 12, 10, 20, tzinfo=UTC)
NEXT_HOUR_UTC = datetime(2026, 5, 12, 11, 0, tzinfo=UTC)


@pytest.fixture
def config(tmp_path: Path) -> Config:
    return example_config(tmp_path)


def tell(store: sa.Engine, config: Config, ids: range, subject: str, at_utc: datetime = AT_UTC) -> None:
    """Tell the operator of so many sites, each in a transaction of its own, as runs do."""
    for n in ids:
        notice = OperatorNotice(
            site_id=f"site-{n}",
            site_name=f"Site {n} - north",
            day=date(2026, 5, 12),
            what=subject,
            subject=subject,
            lines=("There is no usable forecast.", "503 from the service."),
        )
        with schema.begin(store) as connection:
            outbox.put(connection, notices.to_operator(config, notice, now_utc=at_utc), now_utc=at_utc)


def delivered(store: sa.Engine, config: Config, at_utc: datetime, *, at_once: bool = False) -> tuple[Queued, ...]:
    operator_digest.put_together(store, config, now_utc=at_utc, at_once=at_once)
    worker = delivery.Worker(store=store, transport=config.transport, now_utc=lambda: at_utc, owner="a")
    return worker.round().sent


def test_a_fault_of_many_sites_is_four_mails(store: sa.Engine, config: Config) -> None:
    tell(store, config, range(60), "no verdict, morning")
    assert len(delivered(store, config, AT_UTC)) == 3
    tell(store, config, range(60, 63), "no verdict, morning", AT_UTC + timedelta(minutes=30))
    assert delivered(store, config, AT_UTC + timedelta(minutes=31)) == ()
    (last,) = delivered(store, config, NEXT_HOUR_UTC)
    assert last.subject == "gonogo: no verdict, morning - 60 more - 2026-05-12"
    with schema.read(store) as connection:
        raw = outcomes.raw_of(connection, last.message_id) or b""
    text = b" ".join(raw.split()).decode()
    assert "at 60 sites: Site 3 - north, Site 4 - north," in text
    assert "and 10 others" in text
    assert "There is no usable forecast." in text
    assert "--workers" in text
    assert delivered(store, config, NEXT_HOUR_UTC + timedelta(minutes=1)) == ()
    with schema.read(store) as connection:
        counts = outcomes.counts(connection, now_utc=NEXT_HOUR_UTC)
    assert counts.get("waiting", 0) == 0


def test_another_kind_and_another_hour_are_told_at_once(store: sa.Engine, config: Config) -> None:
    tell(store, config, range(5), "no verdict, morning")
    tell(store, config, range(2), "a mail did not reach its reader")
    assert len(delivered(store, config, AT_UTC)) == 3 + 2
    assert len(delivered(store, config, NEXT_HOUR_UTC)) == 1
    tell(store, config, range(10, 12), "no verdict, morning", NEXT_HOUR_UTC + timedelta(minutes=5))
    assert len(delivered(store, config, NEXT_HOUR_UTC + timedelta(minutes=5))) == 2


def test_a_mail_of_the_hour_s_first_instant_belongs_to_that_hour(store: sa.Engine, config: Config) -> None:
    tell(store, config, range(5), "no verdict, morning", NEXT_HOUR_UTC)
    tell(store, config, range(5, 7), "no verdict, morning", NEXT_HOUR_UTC + timedelta(minutes=30))
    assert len(delivered(store, config, NEXT_HOUR_UTC + timedelta(minutes=31))) == 3


def test_the_command_waits_for_no_hour(store: sa.Engine, config: Config) -> None:
    tell(store, config, range(4), "no verdict, morning")
    assert len(delivered(store, config, AT_UTC, at_once=True)) == 4, "one alone needs no other mail around it"
    tell(store, config, range(4, 9), "no verdict, morning")
    assert len(delivered(store, config, AT_UTC, at_once=True)) == 1


def test_an_operator_who_is_named_no_more_is_told_nothing(store: sa.Engine, config: Config) -> None:
    tell(store, config, range(9), "no verdict, morning")
    assert operator_digest.put_together(store, replace(config, operator_address=None), now_utc=NEXT_HOUR_UTC) == 0
