"""A fault of many sites is one mail to the operator, and what comes later within the hour is one more."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from example_mornings import example_config

from gonogo.config import Config
from gonogo.outgoing import delivery, notices, operator_digest
from gonogo.outgoing.envelope import plain_text
from gonogo.outgoing.notices import OperatorNotice
from gonogo.store import ahead, outbox, outcomes, schema
from gonogo.store.queued import Envelope, Queued
from gonogo.store.upgrade import upgrade

AT_UTC = datetime(2026, 5, 12, 10, 20, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
NO_VERDICT = "no verdict, morning"
NO_FORECAST = ("There is no usable forecast.", "503 from the service.")


@pytest.fixture
def config(tmp_path: Path) -> Config:
    return example_config(tmp_path)


def made(config: Config, name: str, subject: str, lines: tuple[str, ...], at_utc: datetime) -> tuple[Envelope, ...]:
    site_id = name.lower().replace(" ", "-")
    notice = OperatorNotice(
        site_id=site_id,
        site_name=name,
        day=date(2026, 5, 12),
        what=f"{subject} {lines}",
        subject=subject,
        lines=lines,
    )
    return notices.to_operator(config, notice, now_utc=at_utc)


def tell(
    store: sa.Engine,
    config: Config,
    ids: range,
    subject: str = NO_VERDICT,
    at_utc: datetime = AT_UTC,
    *,
    lines: tuple[str, ...] = NO_FORECAST,
) -> None:
    """Tell the operator of so many sites, each in a transaction of its own, as runs do."""
    for n in ids:
        put(store, made(config, f"Site {n} - north", subject, lines, at_utc), at_utc)


def put(store: sa.Engine, mails: tuple[Envelope, ...], at_utc: datetime) -> None:
    with schema.begin(store) as connection:
        outbox.put(connection, mails, now_utc=at_utc)


def worker_at(store: sa.Engine, config: Config, clock: Callable[[], datetime]) -> delivery.Worker:
    """A worker as the service has it."""

    def tell_together() -> int:
        return operator_digest.put_together(store, config, now_utc=clock())

    return delivery.Worker(
        store=store, transport=config.transport, now_utc=clock, owner="a", tell_together=tell_together
    )


def delivered(store: sa.Engine, config: Config, at_utc: datetime) -> tuple[Queued, ...]:
    return worker_at(store, config, lambda: at_utc).round().sent


def text_of(store: sa.Engine, mail: Queued) -> str:
    with schema.read(store) as connection:
        raw = outcomes.raw_of(connection, mail.message_id) or b""
    return " ".join(plain_text(replace(mail.envelope, raw=raw)).split())


def n_waiting(store: sa.Engine) -> int:
    with schema.read(store) as connection:
        return outcomes.counts(connection, now_utc=AT_UTC)["waiting"]


def test_a_fault_of_many_sites_is_one_mail_and_what_comes_within_the_hour_one_more(
    store: sa.Engine, config: Config
) -> None:
    tell(store, config, range(40))
    assert delivered(store, config, AT_UTC + MINUTE) == ()
    tell(store, config, range(40, 60), at_utc=AT_UTC + MINUTE)
    (first,) = delivered(store, config, AT_UTC + 2 * MINUTE)
    assert first.subject == "gonogo: no verdict - 60 sites - 2026-05-12"
    text = text_of(store, first)
    assert (
        "This has happened at 60 sites since 2026-05-12 10:20 UTC. Look first for what these sites share: `gonogo check"
        in text
    )
    assert "The first of them says: There is no usable forecast. 503 from the service. The sites: Site 0 - nor" in text
    assert "Site 49 - north and 10 others. What more of this kind comes is told in one mail at 11:22 UTC." in text
    tell(store, config, range(60, 62), at_utc=AT_UTC + 3 * MINUTE)
    tell(store, config, range(62, 63), at_utc=AT_UTC + 61 * MINUTE)
    assert delivered(store, config, AT_UTC + 61 * MINUTE) == ()
    (later,) = delivered(store, config, AT_UTC + 62 * MINUTE)
    assert later.subject == "gonogo: no verdict - 3 sites - 2026-05-12"
    text = text_of(store, later)
    assert "This has happened at 3 sites since 2026-05-12 10:23 UTC." in text
    assert "The sites: Site 60 - north, Site 61 - north and Site 62 - north." in text
    assert delivered(store, config, AT_UTC + 180 * MINUTE) == ()
    assert n_waiting(store) == 0


def test_a_single_mail_goes_as_it_is_and_nothing_more_where_nothing_more_came(store: sa.Engine, config: Config) -> None:
    (mail,) = made(config, "Site 7", NO_VERDICT, NO_FORECAST, AT_UTC)
    put(store, (mail,), AT_UTC)
    assert delivered(store, config, AT_UTC + MINUTE) == ()
    (sent,) = delivered(store, config, AT_UTC + 2 * MINUTE)
    assert (sent.message_id, sent.subject, sent.put_utc) == (mail.message_id, mail.subject, AT_UTC)
    with schema.read(store) as connection:
        assert outcomes.raw_of(connection, mail.message_id) == mail.raw
    assert delivered(store, config, AT_UTC + 62 * MINUTE) == ()
    tell(store, config, range(1), at_utc=AT_UTC + 70 * MINUTE)
    assert len(delivered(store, config, AT_UTC + 72 * MINUTE)) == 1, "the hour is over: no longer than the short while"


def test_another_kind_waits_for_no_hour_and_neither_does_the_service_itself(store: sa.Engine, config: Config) -> None:
    tell(store, config, range(5))
    put(store, made(config, "all sites", "the changed config has faults", ("One.",), AT_UTC), AT_UTC)
    assert len(delivered(store, config, AT_UTC + 2 * MINUTE)) == 2
    at_utc = AT_UTC + 10 * MINUTE
    tell(store, config, range(2), notices.NOT_REACHED, at_utc)
    for line in ("Two.", "Three."):
        put(store, made(config, "all sites", "the changed config has faults", (line,), at_utc), at_utc)
    kind, service = sorted(delivered(store, config, at_utc + 2 * MINUTE), key=lambda mail: mail.subject)
    assert kind.subject == "gonogo: a mail did not reach its reader - 2 sites - 2026-05-12"
    assert "Tell these crews by other means." in text_of(store, kind)
    assert service.subject == "gonogo: the changed config has faults - all sites - 2026-05-12"
    text = text_of(store, service)
    assert (
        "This has happened 2 times at all sites since 2026-05-12 10:30 UTC. At all sites: Two. At all sites: Three."
        in text
    )


def test_runs_that_are_made_good_in_vain_are_the_same_fault(store: sa.Engine, config: Config) -> None:
    tell(store, config, range(3))
    tell(store, config, range(3), "no verdict, re-check 10:21", AT_UTC + MINUTE)
    (mail,) = delivered(store, config, AT_UTC + 2 * MINUTE)
    assert mail.subject == "gonogo: no verdict - 3 sites - 2026-05-12"
    assert "This has happened 6 times at 3 sites since 2026-05-12 10:20 UTC." in text_of(store, mail)
    tell(store, config, range(3), "no verdict, re-check 10:41", AT_UTC + 21 * MINUTE)
    tell(store, config, range(3), "no verdict at all", AT_UTC + 21 * MINUTE)
    (other,) = delivered(store, config, AT_UTC + 23 * MINUTE)
    assert other.subject == "gonogo: no verdict at all - 3 sites - 2026-05-12"


def test_what_differs_is_told_apart_what_most_say_first(store: sa.Engine, config: Config) -> None:
    tell(store, config, range(2), lines=("The model failed.", "ZeroDivisionError: " + "far " * 40))
    tell(store, config, range(2, 9))
    tell(store, config, range(8, 9), lines=("The run took too long.",))
    (mail,) = delivered(store, config, AT_UTC + 2 * MINUTE)
    text = text_of(store, mail)
    assert "This has happened 10 times at 9 sites since 2026-05-12 10:20 UTC" in text
    most = text.index(
        "At Site 2 - north, Site 3 - north, Site 4 - north, Site 5 - north, Site 6 - north and 2 others; the first of "
        "them says: There is no usable forecast. 503 from the service."
    )
    few = text.index(
        "At Site 0 - north and Site 1 - north; the first of them says: The model failed. ZeroDivisionError: far"
    )
    assert most < few < text.index("At Site 8 - north: The run took too long.")
    for n in range(12):
        tell(store, config, range(1), at_utc=AT_UTC + 70 * MINUTE, lines=(f"Reason {n}.",))
    (mail,) = delivered(store, config, AT_UTC + 72 * MINUTE)
    text = text_of(store, mail)
    assert "12 times at Site 0 - north since 2026-05-12 11:30 UTC. Look" in text
    assert "Reason 9. Others say something else again: `gonogo status` shows it." in text
    assert "Reason 10." not in text


def test_the_command_waits_for_nothing(store: sa.Engine, config: Config) -> None:
    tell(store, config, range(1))
    assert operator_digest.put_together(store, config, now_utc=AT_UTC, at_once=True) == 0
    assert len(delivered(store, config, AT_UTC)) == 1, "one alone needs no other mail around it"
    tell(store, config, range(4, 9))
    assert operator_digest.put_together(store, config, now_utc=AT_UTC, at_once=True) == 5
    (mail,) = delivered(store, config, AT_UTC)
    assert "What more of this kind" not in text_of(store, mail), "nobody may be at work then"


def test_no_round_meets_one_alone_however_long_it_lasts(store: sa.Engine, config: Config) -> None:
    """Rounds last for minutes where mails come in all the while; what falls due meanwhile goes together."""
    tell(store, config, range(9))
    alone = delivery.Worker(store=store, transport=config.transport, now_utc=lambda: AT_UTC + 30 * MINUTE, owner="b")
    assert alone.round().sent == ()
    now_utc = AT_UTC
    (notice,) = made(config, "Site 1", NO_VERDICT, NO_FORECAST, AT_UTC)
    crew = [replace(notice, message_id=f"<{n}@example.com>", kind="score") for n in range(30)]
    crew = [replace(mail, raw=mail.raw.replace(notice.message_id.encode(), mail.message_id.encode())) for mail in crew]
    put(store, tuple(crew), AT_UTC)

    def clock() -> datetime:
        nonlocal now_utc
        now_utc += timedelta(seconds=1)
        return now_utc

    sent = worker_at(store, config, clock).round().sent
    assert [mail.subject for mail in sent if mail.kind == "operator"] == ["gonogo: no verdict - 9 sites - 2026-05-12"]
    assert len(sent) == 31


def test_two_services_tell_of_each_mail_once(store: sa.Engine, config: Config) -> None:
    both = threading.Barrier(2)
    told = list[int]()

    def service(first: int) -> None:
        tell(store, config, range(first, first + 20))
        both.wait(60)
        told.append(operator_digest.put_together(store, config, now_utc=AT_UTC + 3 * MINUTE))

    threads = [threading.Thread(target=service, args=(first,)) for first in (0, 20)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert sorted(told) == [0, 40]
    (mail,) = delivered(store, config, AT_UTC + 3 * MINUTE)
    assert "at 40 sites" in text_of(store, mail)


def test_what_comes_while_others_are_told_is_told_with_the_next_whoever_is_at_work(
    postgresql_url: str, open_store: Callable[[str], sa.Engine], config: Config, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One service has told and not yet committed when a mail comes that another would tell of by itself."""
    store = open_store(postgresql_url)
    upgrade(store)
    at_utc = AT_UTC + 5 * MINUTE
    make, others = operator_digest.notice, list[threading.Thread]()

    def slow(*arguments: Any, **named: Any) -> OperatorNotice:
        tell(store, config, range(9, 11))
        other = threading.Thread(target=operator_digest.put_together, args=(store, config), kwargs={"now_utc": at_utc})
        others.append(other)
        other.start()
        other.join(0.5)
        assert other.is_alive(), "it waits"
        return make(*arguments, **named)

    tell(store, config, range(2))
    monkeypatch.setattr(operator_digest, "notice", slow)
    assert operator_digest.put_together(store, config, now_utc=at_utc) == 2
    others[0].join(60)
    assert len(delivered(store, config, at_utc)) == 1
    monkeypatch.setattr(operator_digest, "notice", make)
    assert len(delivered(store, config, at_utc + 60 * MINUTE)) == 1


KILLED = """
import os, sys
from datetime import datetime
from gonogo import config as configs
from gonogo.outgoing import operator_digest
from gonogo.store import operator_hour, schema
operator_hour.replaced = lambda *_, **__: os._exit(9)
loaded = configs.load(__import__("pathlib").Path(sys.argv[2]), environ={})
operator_digest.put_together(schema.engine(sys.argv[1]), loaded, now_utc=datetime.fromisoformat(sys.argv[3]))
"""


def test_a_service_that_dies_over_it_loses_none(store: sa.Engine, config: Config) -> None:
    tell(store, config, range(6))
    at_utc = AT_UTC + 2 * MINUTE
    url = store.url.render_as_string(hide_password=False)
    arguments = [sys.executable, "-c", KILLED, url, str(config.folder), at_utc.isoformat()]
    assert subprocess.run(arguments, env=os.environ, check=False, timeout=120).returncode == 9
    assert n_waiting(store) == 6
    (mail,) = delivered(store, config, at_utc + MINUTE)
    assert "at 6 sites" in text_of(store, mail)


def test_a_fault_of_our_own_over_it_costs_no_other_mail(
    store: sa.Engine, config: Config, monkeypatch: pytest.MonkeyPatch
) -> None:
    tell(store, config, range(3))
    monkeypatch.setattr(operator_digest, "text_of", lambda _: 1 // 0)
    (plainer,) = delivered(store, config, AT_UTC + 2 * MINUTE)
    text = text_of(store, plainer)
    assert "at 3 sites" in text
    assert "There is no usable forecast" not in text
    tell(store, config, range(3), at_utc=AT_UTC + 70 * MINUTE, lines=("Other.",))
    monkeypatch.setattr(operator_digest, "notice", lambda *_, **__: 1 // 0)
    assert len(delivered(store, config, AT_UTC + 72 * MINUTE)) == 3, "as they are: none is lost"


def test_a_clock_that_is_set_back_holds_nothing_up_and_tells_nothing_twice(store: sa.Engine, config: Config) -> None:
    tell(store, config, range(3))
    assert operator_digest.put_together(store, config, now_utc=AT_UTC + 2 * MINUTE) == 3  # made, and not yet sent
    tell(store, config, range(3, 5), at_utc=AT_UTC + 3 * MINUTE)
    assert operator_digest.put_together(store, config, now_utc=AT_UTC + 6 * MINUTE) == 0  # until the hour's end
    back_utc = AT_UTC - 180 * MINUTE
    ahead.wake_waiting(store, now_utc=back_utc)
    (first,) = delivered(store, config, back_utc)
    assert first.subject == "gonogo: no verdict - 3 sites - 2026-05-12"
    (later,) = delivered(store, config, back_utc + 60 * MINUTE)
    assert later.subject == "gonogo: no verdict - 2 sites - 2026-05-12"
    assert n_waiting(store) == 0


def test_a_mail_whose_deadline_is_nearer_goes_before_it(store: sa.Engine, config: Config) -> None:
    (mail,) = made(config, "Site 1", NO_VERDICT, NO_FORECAST, AT_UTC)
    for deadline_min, goes_min in ((1, 0), (3, 1), (60, 2)):
        name = f"<{deadline_min}@example.com>"
        raw = mail.raw.replace(mail.message_id.encode(), name.encode())
        kind = f"gonogo: kind {deadline_min} - Site 1 - 2026-05-12"
        at_utc = AT_UTC + timedelta(minutes=deadline_min)
        near = replace(mail, message_id=name, raw=raw, subject=kind, deadline_utc=at_utc)
        put(store, (near,), AT_UTC)
        moments = [minute for minute in range(5) if delivered(store, config, AT_UTC + minute * MINUTE)]
        assert moments == [goes_min]
    tell(store, config, range(2))
    assert len(delivered(store, config, AT_UTC + 2 * MINUTE)) == 1
    at_utc = AT_UTC + 10 * MINUTE
    (late,) = made(config, "Site 9", NO_VERDICT, NO_FORECAST, at_utc)
    put(store, (replace(late, deadline_utc=AT_UTC + 40 * MINUTE),), at_utc)
    assert len(delivered(store, config, at_utc + 2 * MINUTE)) == 1


def test_an_operator_who_is_named_no_more_is_told_nothing(store: sa.Engine, config: Config) -> None:
    tell(store, config, range(9))
    nobody = replace(config, operator_address=None)
    assert delivered(store, nobody, AT_UTC + 90 * MINUTE) == ()
    assert operator_digest.put_together(store, nobody, now_utc=AT_UTC, at_once=True) == 0
