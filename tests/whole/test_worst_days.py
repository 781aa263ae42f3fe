"""The worst days: each crew has its mail on time and it says what is not known, and the operator hears why."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from email.parser import BytesParser
from email.policy import SMTP
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from config_copy import SITE, Copy
from example_mornings import ROOT, example_config, no_weather, recorded, run_example
from mailserver import MailServer

from gonogo.cli import demo, status
from gonogo.cli.outcome import CommandOutcome, Exit
from gonogo.config import Config, load
from gonogo.errors import StoreError
from gonogo.outgoing import delivery, direct, notices, operator_digest
from gonogo.records.outside import Transport
from gonogo.records.verdict import Verdict
from gonogo.service import due
from gonogo.service.service import Service
from gonogo.service.workers import Workers
from gonogo.store import claims, endings, members, outbox, outcomes, queued, runs, schema
from gonogo.wording.language import speaker

MINUTE = timedelta(minutes=1)
MAIL_AT_UTC = datetime.fromisoformat("2026-05-12T10:30:00+00:00")


class Bench:
    """A service that is called step by step, on a clock of the test's own."""

    def __init__(self, loaded: Config, **changes: Any) -> None:
        given = {"halt": threading.Event(), "fetch": recorded, "environ": {}} | changes
        self.service = Service(loaded, **given)
        self.workers = Workers(n_workers=1)

    @property
    def site(self) -> Any:
        return self.service.sites()[0]

    def mails(self, *kinds: str) -> list[queued.Queued]:
        with schema.read(self.service.store) as connection:
            return [m for m in outcomes.outcomes(connection) if not kinds or m.kind in kinds]

    def raw(self, mail: queued.Queued) -> str:
        with schema.read(self.service.store) as connection:
            raw = outcomes.raw_of(connection, mail.message_id)
        assert raw is not None
        body = BytesParser(policy=SMTP).parsebytes(raw).get_body(("plain",))
        assert body is not None
        return str(body.get_content())

    def run(self) -> runs.Run | None:
        with schema.read(self.service.store) as connection:
            return runs.last_run(connection, self.site.id)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Callable[..., Bench]]:
    made: list[Bench] = []

    def make(loaded: Config | None = None, **changes: Any) -> Bench:
        made.append(Bench(loaded or example_config(tmp_path), **changes))
        return made[-1]

    yield make
    for bench in made:
        bench.service.store.dispose()


def test_a_run_that_hangs_is_given_up_and_every_person_has_a_notice_before_the_mail_time(
    bench: Callable[..., Bench],
) -> None:
    hangs, goes_on = threading.Event(), threading.Event()

    def hanging(*arguments: Any) -> Any:
        hangs.set()
        goes_on.wait(30)
        return recorded(*arguments)

    it = bench(fetch=hanging)
    start = demo.MORNING_UTC
    key = (it.site.id, demo.DAY, "morning")
    it.workers.put(key, lambda: it.service.run_morning(it.site, demo.DAY, start))
    assert hangs.wait(30)
    it.service.watch(start, it.workers)
    assert it.mails() == []
    it.service.watch(MAIL_AT_UTC - due.NOTICE_LEAD, it.workers)
    told = it.mails("morning")
    assert len(told) == 5
    assert all(m.deadline_utc > MAIL_AT_UTC and m.put_utc < MAIL_AT_UTC for m in told)
    english = [it.raw(m) for m in told if m.language == "en"]
    assert english
    assert all("took too long" in text and "every strip waits" in text for text in english)
    (word,) = it.mails("operator")
    assert "did not finish" in it.raw(word)
    goes_on.set()  # the run comes back after all: its verdicts are dropped, and nobody is mailed twice
    assert it.workers.wait(60)
    assert len(it.mails("morning")) == 5
    run = it.run()
    assert run is not None
    with schema.read(it.service.store) as connection:
        assert {d.verdict for d in runs.decisions(connection, run.id)} == {Verdict.WAIT}


def test_a_hanging_run_does_not_hold_up_another_site() -> None:
    workers, goes_on, done = Workers(n_workers=1), threading.Event(), threading.Event()
    workers.put("a", lambda: goes_on.wait(30) and None)
    assert not workers.put("a", done.set)
    workers.put("b", done.set)
    assert not done.wait(0.1)
    workers.give_up("a")
    workers.give_up("a")
    assert done.wait(10)
    assert workers.wait(10)
    goes_on.set()


def test_a_fault_in_one_run_leaves_the_thread_to_the_next(caplog: pytest.LogCaptureFixture) -> None:
    workers, done = Workers(n_workers=1), threading.Event()

    def broken() -> None:
        raise ZeroDivisionError("invented fault")

    workers.put("a", broken)
    workers.put("b", done.set)
    assert done.wait(10)
    assert "invented fault" in caplog.text


def test_a_config_that_no_longer_loads_tells_the_operator_at_once_and_the_crews_at_their_time(
    bench: Callable[..., Bench], tmp_path: Path
) -> None:
    import shutil

    copy = Copy(Path(shutil.copytree(ROOT / "config", tmp_path / "config")))
    loaded = load(copy.folder, environ={})
    it = bench(loaded)
    copy.edit(SITE, 'zone = "America/Chicago"', 'zone = "America/Chicagoo"')
    copy.edit(SITE, '"north.driver@example.com"', '"somebody.else@example.com"')
    start = demo.MORNING_UTC
    it.service.watch(start, it.workers)
    it.service.run_morning(it.site, demo.DAY, start)
    (word,) = it.mails()
    assert word.kind == "operator"
    assert "Chicagoo" in it.raw(word)
    it.service.watch(start + MINUTE, it.workers)
    assert len(it.mails()) == 1
    it.service.watch(MAIL_AT_UTC - due.NOTICE_LEAD, it.workers)
    told = it.mails("morning")
    assert "north.driver@example.com" in {m.address for m in told}
    assert len(told) == 5
    english = [it.raw(m) for m in told if m.language == "en"]
    assert english
    assert all("settings of the service have a fault" in text for text in english)
    run = it.run()
    assert run is not None
    assert any("Chicagoo" in fault for fault in run.faults)


def test_a_config_mended_before_the_mail_time_gives_verdicts(bench: Callable[..., Bench], tmp_path: Path) -> None:
    import shutil

    copy = Copy(Path(shutil.copytree(ROOT / "config", tmp_path / "config")))
    it = bench(load(copy.folder, environ={}))
    good = (copy.folder / SITE).read_text(encoding="utf-8")
    copy.edit(SITE, "latitude_deg = 42.137", "latitude_deg = north")
    it.service.run_morning(it.site, demo.DAY, demo.MORNING_UTC)
    assert it.run() is None
    mended = good.replace('name = "North crew"', 'name = "Northern crew"')
    (copy.folder / SITE).write_text(mended, encoding="utf-8")
    it.service.run_morning(it.site, demo.DAY, demo.MORNING_UTC)
    assert it.service.configs.faults == ()
    assert it.site.crew("north").name == "Northern crew"
    assert len(it.mails("morning")) == 5


def test_without_weather_the_operator_gets_the_reason(bench: Callable[..., Bench]) -> None:
    it = bench(fetch=no_weather)
    it.service.run_morning(it.site, demo.DAY, demo.MORNING_UTC)
    assert len(it.mails("morning")) == 5
    (word,) = it.mails("operator")
    assert "503 from the service" in it.raw(word)
    it.service.run_morning(it.site, demo.DAY, demo.MORNING_UTC)
    assert len(it.mails()) == 6


def test_without_an_operator_address_the_crews_have_their_mails_all_the_same(
    bench: Callable[..., Bench], tmp_path: Path
) -> None:
    it = bench(replace(example_config(tmp_path), operator_address=None), fetch=no_weather)
    it.service.run_morning(it.site, demo.DAY, demo.MORNING_UTC)
    assert [m.kind for m in it.mails()] == ["morning"] * 5


def to_server(mail_server: MailServer) -> Transport:
    return Transport(
        kind="smtp",
        sender="gonogo@example.com",
        host=mail_server.host,
        port=mail_server.port,
        security="none",
        timeout_s=5.0,
    )


def test_a_database_that_fails_at_the_mail_time_does_not_cost_the_crews_their_notice(
    bench: Callable[..., Bench], tmp_path: Path, mail_server: MailServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    transport = to_server(mail_server)
    it = bench(example_config(tmp_path, transport=transport))
    monkeypatch.setattr(direct, "TRIED_AGAIN_S", 0.0)  # checks are further apart than that

    def refused(*_: Any, **__: Any) -> Any:
        raise StoreError("disk full")

    with monkeypatch.context() as patched:
        patched.setattr(schema, "begin", refused)
        patched.setattr(schema, "read", refused)
        it.service.watch(demo.MORNING_UTC, it.workers)
        (word,) = mail_server.mails  # the operator hears of it at once, past the outbox, and once
        assert b"operator@example.com" in word
        assert b"the database cannot be used" in word
        mail_server.at_rcpt = ["451 4.7.1 later"]
        for _ in range(3):
            it.service.watch(MAIL_AT_UTC - due.NOTICE_LEAD, it.workers)
    assert len(mail_server.mails) == 6
    assert {rcpt for _, to, _ in mail_server.envelopes[1:] for rcpt in to} == {
        person.address for crew in it.site.crews for person in crew.recipients
    }
    english = {p.address for crew in it.site.crews for p in crew.recipients if p.language == "en"}
    assert sum(b"every strip waits" in raw for raw in mail_server.mails) == len(english)
    assert not any(b"COMPACT" in raw for raw in mail_server.mails)
    it.service.run_morning(it.site, demo.DAY, MAIL_AT_UTC)  # the database is back: the verdicts follow
    assert len(it.mails("morning")) == 5


def test_a_disk_without_room_for_a_run_is_told_at_once_though_all_of_it_can_be_read(
    bench: Callable[..., Bench], tmp_path: Path, mail_server: MailServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "health.json"
    transport = to_server(mail_server)
    loaded = example_config(tmp_path, transport=transport)
    it = bench(replace(loaded, watch=replace(loaded.watch, health_file=place)))

    def looked(now_utc: datetime) -> tuple[bool, CommandOutcome]:
        it.service.watch(now_utc, it.workers)
        found = status.status(it.service.configs.accepted, now_utc=now_utc, speak=speaker("en", "metric"))
        return json.loads(place.read_text(encoding="utf-8"))["is_well"], found

    assert looked(demo.MORNING_UTC)[0]

    def full(*_: Any, **__: Any) -> Any:
        raise StoreError("the database refused: database or disk is full.")

    for has_room_for_little in (False, True):
        with monkeypatch.context() as patched:
            patched.setattr(claims, "finish_run" if has_room_for_little else "claim", full)
            if not has_room_for_little:
                patched.setattr(members, "write_again", full)
            it.service.run_morning(it.site, demo.DAY, demo.MORNING_UTC)
            is_well, said = looked(demo.MORNING_UTC + MINUTE)
        assert not is_well
        assert "it stores nothing: the database refused: database or disk is full" in said.text
        assert said.exit_code is Exit.ATTENTION
        (word,) = mail_server.mails  # before any mail time, past the outbox, and once
        assert b"the database cannot be used" in word
    it.service.run_morning(it.site, demo.DAY, demo.MORNING_UTC + 15 * MINUTE)
    is_well, said = looked(demo.MORNING_UTC + 15 * MINUTE)
    assert is_well
    assert "stores nothing" not in said.text


def test_a_database_that_takes_writes_again_is_well_though_no_run_comes_after(
    bench: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    it = bench()
    unstored = it.service.runner.unstored

    def full(*_: Any, **__: Any) -> Any:
        raise StoreError("full")

    with monkeypatch.context() as patched:
        patched.setattr(claims, "claim", full)
        it.service.run_morning(it.site, demo.DAY, demo.MORNING_UTC)
    it.service.watch(demo.MORNING_UTC + MINUTE, it.workers)
    assert str(unstored) == "full"  # a run is tried again every minute: that one may find no room yet
    it.service.watch(demo.MORNING_UTC + 3 * MINUTE, it.workers)
    assert str(unstored) == ""


def test_a_late_service_gives_a_run_its_two_minutes() -> None:
    late = MAIL_AT_UTC + timedelta(minutes=20)
    site = load(ROOT / "config", environ={}).sites[0]
    assert due.give_up_utc(site, demo.DAY, late, 12.0) == late + due.LEAST_RUN
    on_time = MAIL_AT_UTC - 15 * MINUTE
    assert due.give_up_utc(site, demo.DAY, on_time, 12.0) == on_time + 12 * MINUTE
    assert due.give_up_utc(site, demo.DAY, on_time, 60.0) == MAIL_AT_UTC - MINUTE
    assert due.give_up_utc(site, demo.DAY, MAIL_AT_UTC - 5 * MINUTE, 12.0) == MAIL_AT_UTC - MINUTE


@pytest.fixture
def late(tmp_path: Path) -> Iterator[tuple[Config, sa.Engine]]:
    """A morning whose mail server was down until the deadline."""
    down = Transport(kind="smtp", sender="gonogo@example.com", host="127.0.0.1", port=9, security="none", timeout_s=1.0)
    loaded = example_config(tmp_path, transport=down)
    from gonogo.store.open import open_store

    store = open_store(loaded)
    assert run_example(loaded, store) is not None
    yield loaded, store
    store.dispose()


def expire(loaded: Config, store: sa.Engine, at_utc: datetime) -> list[queued.Queued]:
    endings.expire(store, now_utc=at_utc, fallback=notices.expired_fallback(loaded, at_utc))
    with schema.read(store) as connection:
        return list(outcomes.outcomes(connection))


def test_a_mail_that_is_too_late_becomes_a_short_notice_and_one_word_to_the_operator(
    late: tuple[Config, sa.Engine],
) -> None:
    loaded, store = late
    found = expire(loaded, store, MAIL_AT_UTC + timedelta(hours=4))
    kinds = [m.kind for m in found if m.state == "waiting"]
    assert sorted(kinds) == ["notice"] * 5 + ["operator"]
    with schema.read(store) as connection:
        raw = outcomes.raw_of(connection, next(m.message_id for m in found if m.kind == "notice"))
    assert raw is not None
    assert b"could not be delivered in" in raw
    assert b"Do not compact or water on the strength of an earlier mail" in raw


def test_a_notice_past_the_end_of_the_shift_is_none(late: tuple[Config, sa.Engine]) -> None:
    loaded, store = late
    evening = MAIL_AT_UTC + timedelta(hours=20)
    found = expire(loaded, store, evening)
    assert [m.kind for m in found if m.state == "waiting"] == ["operator"]
    found = expire(loaded, store, evening + timedelta(days=2))
    assert [m.kind for m in found if m.state == "waiting"] == []


def test_a_refused_mail_and_one_set_aside_are_told_to_the_operator_once_each(
    late: tuple[Config, sa.Engine], mail_server: MailServer
) -> None:
    loaded, store = late
    transport = replace(loaded.transport, host=mail_server.host, port=mail_server.port)
    mail_server.at_rcpt = ["550 5.1.1 <north.superintendent@example.com> unknown"]
    import random

    now_utc = demo.MORNING_UTC

    def told_together() -> int:
        return operator_digest.put_together(store, loaded, now_utc=now_utc)

    worker = delivery.Worker(
        store=store,
        transport=transport,
        now_utc=lambda: now_utc,
        owner="a",
        rng=random.Random(1),
        failed_fallback=notices.failed_fallback(loaded, now_utc),
        tell_together=told_together,
    )
    report = worker.round()
    assert len(report.refused) == 1
    assert len(report.sent) == 4
    now_utc += 2 * MINUTE
    assert [mail.kind for mail in worker.round().sent] == ["operator"]
    words = [raw for raw in mail_server.mails if b"operator@example.com" in raw]
    assert len(words) == 1
    assert b"was refused by the mail server" in words[0]


def test_a_mail_that_kills_its_workers_is_replaced_by_a_plain_notice_and_the_reason_is_kept(
    late: tuple[Config, sa.Engine],
) -> None:
    loaded, store = late
    at_utc = demo.MORNING_UTC
    with schema.begin(store) as connection:
        doomed = connection.scalar(sa.select(schema.message.c.id).limit(1))
        connection.execute(sa.update(schema.message).where(schema.message.c.id == doomed).values(n_crashes=5))
    (dead,) = endings.dead_letters(store, now_utc=at_utc, tell=notices.failed_fallback(loaded, at_utc))
    with schema.read(store) as connection:
        found = {mail.kind: mail for mail in outcomes.outcomes(connection) if mail.state == "waiting" and mail.id > 5}
        kept = next(mail for mail in outcomes.outcomes(connection) if mail.id == doomed)
        notice = outcomes.raw_of(connection, found["notice"].message_id)
    assert set(found) == {"notice", "operator"}
    assert found["notice"].address == dead.address
    assert b"could not be sent" in (notice or b"")
    assert "died over it" in kept.last_error


def test_a_word_to_the_operator_that_fails_brings_no_further_word(late: tuple[Config, sa.Engine]) -> None:
    loaded, store = late
    at_utc = demo.MORNING_UTC
    with schema.begin(store) as connection:
        notice = notices.OperatorNotice(
            site_id="harrow-flats",
            site_name="Harrow Flats",
            day=demo.DAY,
            what="a test",
            subject="a test",
            lines=("A line.",),
        )
        told = notices.to_operator(loaded, notice, now_utc=at_utc)
        assert outbox.put(connection, told, now_utc=at_utc) == 1
        assert outbox.put(connection, told, now_utc=at_utc) == 0
    operator_digest.put_together(store, loaded, now_utc=at_utc, at_once=True)
    (mail,) = [m for m in outbox.lease(store, now_utc=at_utc, owner="a", limit=9) if m.kind == "operator"]
    assert list(notices.failed_fallback(loaded, at_utc)(replace(mail, state="refused"))) == []
    assert list(notices.expired_fallback(loaded, at_utc)(mail)) == []


def test_a_word_to_the_operator_that_cannot_be_written_costs_no_crew_its_mail(
    bench: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: Any, **__: Any) -> None:
        raise ZeroDivisionError("invented fault")

    monkeypatch.setattr(notices, "to_operator", broken)
    it = bench(fetch=no_weather)
    it.service.run_morning(it.site, demo.DAY, demo.MORNING_UTC)
    assert [m.kind for m in it.mails()] == ["morning"] * 5
