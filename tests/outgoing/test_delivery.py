"""The delivery worker: nothing lost, nothing twice, and a word where something did not arrive."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime, timedelta
from email.parser import BytesParser
from email.policy import SMTP
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from hypothesis import given
from hypothesis import strategies as st
from mailserver import MailServer
from messages import MORNING, envelope

from gonogo.errors import StoreError
from gonogo.outgoing import delivery, rounds, sweep
from gonogo.outgoing.delivery import DeliveryReport, Memory, Worker, wait_s
from gonogo.records.outside import Transport
from gonogo.store import leases, outbox, outcomes, schema
from gonogo.store.queued import Envelope, Queued

MINUTE = timedelta(minutes=1)


class Clock:
    """A clock that stands still until it is told."""

    def __init__(self) -> None:
        self.at = MORNING

    def __call__(self) -> datetime:
        return self.at


class Office:
    """A store, a mail server, a clock and one worker with its memory."""

    def __init__(self, store: sa.Engine, server: MailServer) -> None:
        self.store, self.server, self.clock, self.memory = store, server, Clock(), Memory()
        self.transport = Transport(
            kind="smtp", sender="gonogo@example.com", host=server.host, port=server.port, security="none", timeout_s=5.0
        )

    def put(self, *messages: Envelope) -> None:
        with schema.begin(self.store) as connection:
            outbox.put(connection, messages, now_utc=self.clock())

    def work(self, **changes: Any) -> DeliveryReport:
        named = {"now_utc": self.clock, "owner": "a", "rng": random.Random(1), "memory": self.memory} | changes
        limit = named.pop("limit", None)
        return Worker(store=self.store, transport=self.transport, **named).round(limit)

    def states(self) -> dict[str, int]:
        with schema.read(self.store) as connection:
            return {state: n for state, n in outcomes.counts(connection, now_utc=self.clock()).items() if n}

    def arrived(self) -> list[str]:
        return [str(BytesParser(policy=SMTP).parsebytes(raw)["message-id"]) for raw in self.server.mails]


@pytest.fixture
def office(store: sa.Engine, mail_server: MailServer) -> Office:
    return Office(store, mail_server)


@pytest.fixture
def small_office(sqlite_store: sa.Engine, mail_server: MailServer) -> Office:
    return Office(sqlite_store, mail_server)


def ids(messages: Sequence[Queued] | Sequence[Envelope]) -> list[str]:
    return [message.message_id for message in messages]


def test_what_is_due_arrives_once(office: Office) -> None:
    office.put(*(envelope(n) for n in range(5)), envelope(9, send_utc=MORNING + MINUTE))
    report = office.work()
    assert report.is_good
    assert sorted(office.arrived()) == sorted(ids(report.sent)) == sorted(ids([envelope(n) for n in range(5)]))
    assert office.work().sent == ()
    assert office.states() == {"sent": 5, "waiting": 1}
    assert office.server.n_connections == 1


def test_a_report_keeps_no_bytes_of_the_mails(office: Office) -> None:
    """A round may last a whole morning: what it sent would fill 70 MB with a thousand sites."""
    office.put(*(envelope(n) for n in range(3)))
    office.server.at_rcpt = ["451 4.7.1 greylisted", "550 5.1.1 unknown"]
    report = office.work()
    assert [len(mails) for mails in (report.sent, report.put_off, report.refused)] == [1, 1, 1]
    assert {mail.raw for mail in (*report.sent, *report.put_off, *report.refused)} == {b""}


def test_a_mail_that_is_put_off_comes_later_and_only_then(office: Office) -> None:
    office.put(envelope(1), envelope(2))
    office.server.at_rcpt = ["451 4.7.1 greylisted"]
    report = office.work()
    assert (ids(report.put_off), ids(report.sent)) == ([envelope(1).message_id], [envelope(2).message_id])
    assert office.work().sent == ()
    office.clock.at += timedelta(seconds=rounds.FIRST_WAIT_S)
    assert ids(office.work().sent) == [envelope(1).message_id]
    assert office.states() == {"sent": 2}


def test_a_refused_mail_is_given_up_and_what_is_told_of_it_goes_in_the_same_round(office: Office) -> None:
    office.put(envelope(1))
    office.server.at_rcpt = ["550 5.1.1 no such user"]

    def tell(mail: Queued) -> Sequence[Envelope]:
        assert (mail.state, "550" in mail.last_error) == ("refused", True)
        return (envelope(2, kind="notice"),)

    report = office.work(failed_fallback=tell)
    assert ids(report.refused) == [envelope(1).message_id]
    assert office.arrived() == [envelope(2).message_id]
    assert office.states() == {"refused": 1, "sent": 1}


def test_a_server_that_is_down_ends_the_round_and_loses_nothing(office: Office) -> None:
    office.put(*(envelope(n) for n in range(6)))
    office.server.stop()
    report = office.work()
    assert len(report.put_off) == rounds.FAULTS_THAT_END_A_ROUND
    assert "cannot be used now" in report.server_fault
    assert not report.is_good
    office.server.start()
    office.clock.at += MINUTE
    assert len(office.work().sent) == 6
    assert len(set(office.arrived())) == len(office.arrived()) == 6


def test_a_mail_past_its_deadline_is_not_sent_but_its_notice_is(office: Office) -> None:
    office.put(envelope(1, deadline_utc=MORNING + MINUTE))
    office.server.stop()
    assert len(office.work().put_off) == 1
    office.server.start()
    office.clock.at += 2 * MINUTE
    report = office.work(expired_fallback=lambda mail: (envelope(7, kind="notice"),))
    assert ids(report.expired) == [envelope(1).message_id]
    assert office.arrived() == [envelope(7).message_id]


class BrokenTransport:
    """Delivers to the real server, except for one message, over which it fails in a way nobody foresaw."""

    def __init__(self, transport: Transport, broken_id: str) -> None:
        self._connection, self._broken_id = delivery.Connection(transport), broken_id

    def deliver(self, mail: Envelope, is_ours: Callable[[], bool]) -> None:
        if mail.message_id == self._broken_id:
            raise ZeroDivisionError(mail.address)
        self._connection.deliver(mail, is_ours)

    @classmethod
    def opener(cls, broken_id: str) -> Callable[[Transport], Any]:
        @contextmanager
        def opened(transport: Transport) -> Iterator[BrokenTransport]:
            made = cls(transport, broken_id)
            yield made
            made._connection.close()

        return opened


def test_a_fault_of_our_own_stops_no_other_mail_and_is_a_dead_letter_in_the_end(
    office: Office, caplog: pytest.LogCaptureFixture
) -> None:
    office.put(*(envelope(n) for n in range(3)))
    broken = envelope(1)
    told: list[str] = []

    def tell(mail: Queued) -> Sequence[Envelope]:
        told.append(mail.last_error)
        return (envelope(8, kind="notice"),)

    for _ in range(leases.MAX_CRASHES + 1):
        office.work(open_transport=BrokenTransport.opener(broken.message_id), failed_fallback=tell)
        office.clock.at += timedelta(seconds=rounds.LONGEST_WAIT_S)
    assert sorted(office.arrived()) == sorted(ids([envelope(0), envelope(2), envelope(8)]))
    assert office.states() == {"sent": 3, "set_aside": 1}
    assert len(told) == 1
    assert "ZeroDivisionError" in told[0]
    assert broken.address not in caplog.text


def test_a_mail_whose_mark_cannot_be_stored_is_not_sent_again(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    office.put(envelope(1), envelope(2))

    def locked(*_arguments: Any, **_named: Any) -> bool:
        raise StoreError("database is locked")

    with monkeypatch.context() as patched:
        patched.setattr(outbox, "sent_and_next", locked)
        with pytest.raises(StoreError, match="locked"):
            office.work()
    assert office.memory.went == {envelope(1).message_id}
    assert office.states() == {"leased": 1, "waiting": 1}
    office.work()
    assert office.memory.went == set()
    assert office.states() == {"sent": 2}
    assert sorted(office.arrived()) == sorted(ids([envelope(1), envelope(2)]))


def test_a_mark_that_succeeds_at_the_second_try_is_a_mark(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    office.put(envelope(1))
    real, n_calls = outbox.sent_and_next, 0

    def shaky(*arguments: Any, **named: Any) -> Any:
        nonlocal n_calls
        n_calls += 1
        if n_calls == 1:
            raise StoreError("database is locked")
        return real(*arguments, **named)

    monkeypatch.setattr(outbox, "sent_and_next", shaky)
    assert len(office.work().sent) == 1
    assert office.states() == {"sent": 1}


def test_a_worker_that_outlived_its_lease_still_marks_what_went(office: Office) -> None:
    office.put(envelope(1))

    @contextmanager
    def slow_transport(transport: Transport) -> Iterator[Any]:
        with delivery.Connection(transport) as connection:

            class Slow:
                def deliver(self, mail: Envelope, is_ours: Callable[[], bool]) -> None:
                    connection.deliver(mail, is_ours)
                    office.clock.at += timedelta(seconds=delivery.LEASE_S)
                    outbox.lease(office.store, now_utc=office.clock(), owner="b")

            yield Slow()

    office.work(open_transport=slow_transport)
    assert office.states() == {"sent": 1}


class Killed(BaseException):
    """Stands for the end of the process: nothing in the code may catch it."""


@pytest.mark.parametrize("name", ["data", "mark and lease"])
@pytest.mark.parametrize("when", ["before", "after"])
def test_a_worker_killed_anywhere_loses_nothing(
    office: Office, monkeypatch: pytest.MonkeyPatch, when: str, name: str
) -> None:
    office.put(envelope(1), envelope(2), envelope(3))
    owner, attribute = {
        "data": (delivery.Connection, "deliver"), "mark and lease": (outbox, "sent_and_next")
    }[name]  # fmt: skip
    real, n_calls = getattr(owner, attribute), 0

    def dying(*arguments: Any, **named: Any) -> Any:
        nonlocal n_calls
        n_calls += 1
        if n_calls == 2 and when == "before":
            raise Killed
        done = real(*arguments, **named)
        if n_calls == 2:
            raise Killed
        return done

    with monkeypatch.context() as patched:
        patched.setattr(owner, attribute, dying)
        with pytest.raises(Killed):
            office.work()
    office.memory = Memory()  # the new process knows only what is stored
    office.clock.at += timedelta(seconds=delivery.LEASE_S)
    office.work()
    assert office.states() == {"sent": 3}
    expected = sorted(ids([envelope(n) for n in (1, 2, 3)]))
    assert sorted(set(office.arrived())) == expected
    # Only between the server's last answer and our mark can a mail go twice, and then under the same Message-ID.
    twice = len(office.arrived()) - len(expected)
    assert twice == (1 if (when, name) in (("after", "data"), ("before", "mark and lease")) else 0)


def test_a_connection_that_breaks_before_the_last_answer_sends_again_under_the_same_id(office: Office) -> None:
    office.put(envelope(1))
    office.server.at_data = ["drop"]
    assert len(office.work().put_off) == 1
    office.clock.at += MINUTE
    assert len(office.work().sent) == 1
    assert office.arrived() == [envelope(1).message_id] * 2


def test_a_round_ends_when_it_is_told_to(small_office: Office) -> None:
    small_office.put(*(envelope(n) for n in range(5)))
    assert len(small_office.work(limit=2).sent) == 2
    answers = iter([True, False])
    assert len(small_office.work(may_go_on=lambda: next(answers)).sent) == 1
    assert small_office.states() == {"sent": 3, "waiting": 2}


def test_mails_go_to_a_folder_by_the_same_way(small_office: Office, tmp_path: Path) -> None:
    small_office.transport = Transport(kind="folder", sender="gonogo@example.com", folder=tmp_path / "mails")
    small_office.put(envelope(1), envelope(2))
    assert len(small_office.work().sent) == 2
    assert len(list((tmp_path / "mails").glob("*/*/*.eml"))) == 2
    assert (tmp_path / "mails" / "index.html").is_file()


def test_a_folder_that_cannot_be_used_is_reported_and_takes_no_lease(small_office: Office) -> None:
    small_office.transport = Transport(kind="folder", sender="gonogo@example.com")
    small_office.put(envelope(1))
    assert "names none" in small_office.work().server_fault
    assert small_office.states() == {"waiting": 1}


@given(n_tries=st.integers(1, 10_000), seed=st.integers(0, 2**32))
def test_the_wait_grows_to_a_limit_and_is_never_nothing(n_tries: int, seed: int) -> None:
    waited = wait_s(n_tries, random.Random(seed))
    assert rounds.FIRST_WAIT_S / 2 <= waited <= rounds.LONGEST_WAIT_S
    assert waited <= rounds.FIRST_WAIT_S * 2.0 ** min(n_tries - 1, 16)
    if n_tries >= 6:
        assert waited >= rounds.LONGEST_WAIT_S / 2


def test_what_a_dead_worker_held_is_taken_over_within_five_seconds_and_counts_as_a_crash(office: Office) -> None:
    office.put(envelope(1), envelope(2))
    outbox.lease(office.store, now_utc=office.clock(), owner="dead", limit=1)
    assert len(office.work(is_dead=lambda _: False).sent) == 1
    office.clock.at += timedelta(seconds=5)
    assert len(office.work(is_dead=lambda name: name == "dead").sent) == 1
    with schema.read(office.store) as connection:
        assert sorted(outcome.n_crashes for outcome in outcomes.outcomes(connection)) == [0, 1]


class SteadyStream:
    """A server that takes a second over each mail; for each a new one comes, until_utc. Notes when each went."""

    def __init__(self, office: Office, until_utc: datetime) -> None:
        self.office, self.until_utc = office, until_utc
        self.went_utc: dict[str, datetime] = {}

    def __enter__(self) -> SteadyStream:
        return self

    def __exit__(self, *_: object) -> None:
        """Close nothing."""

    def deliver(self, mail: Envelope, is_ours: Callable[[], bool]) -> None:
        assert is_ours()
        self.office.clock.at += timedelta(seconds=1)
        self.went_utc[mail.message_id] = self.office.clock.at
        if self.office.clock.at < self.until_utc:
            self.office.put(envelope(100 + len(self.went_utc), deadline_utc=MORNING + 90 * MINUTE))


def test_what_a_worker_held_that_dies_does_not_wait_for_a_steady_stream_of_mails_to_end(small_office: Office) -> None:
    office = small_office
    dies_utc = MORNING + timedelta(seconds=10)
    soon_useless = {"deadline_utc": MORNING + timedelta(seconds=30)}
    office.put(envelope(1, deadline_utc=MORNING + 80 * MINUTE), envelope(2, **soon_useless))
    outbox.lease(office.store, now_utc=MORNING, owner="dies", lease_s=3600.0, limit=2)
    office.put(envelope(3, deadline_utc=MORNING + timedelta(seconds=20), send_utc=MORNING + MINUTE))
    office.put(envelope(4))
    stream = SteadyStream(office, MORNING + 3 * MINUTE)
    report = office.work(
        is_dead=lambda name: name == "dies" and office.clock() >= dies_utc,
        open_transport=lambda _: stream,
        expired_fallback=lambda mail: (envelope(5, kind="notice", deadline_utc=MORNING + 90 * MINUTE),),
    )
    soon = sweep.SWEPT_EVERY + timedelta(seconds=2)
    assert all(stream.went_utc[envelope(n).message_id] <= dies_utc + soon for n in (1, 2))
    assert ids(report.expired) == [envelope(3).message_id]
    assert stream.went_utc[envelope(5).message_id] <= MORNING + timedelta(seconds=20) + soon


def test_mails_that_failed_together_do_not_come_back_together() -> None:
    rng = random.Random(5)
    assert len({round(wait_s(3, rng)) for _ in range(100)}) > 20


def test_what_the_numbers_of_a_delivery_promise() -> None:
    """A mail is tried again within half a minute and every five minutes at least; five faults of our own end it."""
    waits = [wait_s(1, random.Random(seed)) for seed in range(200)]
    assert 7.5 <= min(waits) <= max(waits) <= 15.0
    assert max(wait_s(99, random.Random(seed)) for seed in range(200)) <= 300.0
    assert wait_s(3, random.Random(1)) == pytest.approx(4.0 * wait_s(1, random.Random(1)))
    assert leases.MAX_CRASHES == 5
    assert rounds.FAULTS_THAT_END_A_ROUND == 3


def test_a_lease_lasts_for_the_longest_mail_and_does_not_hold_one_up_for_an_hour(small_office: Office) -> None:
    """Ten minutes: two and a half times the four that one mail may take."""
    small_office.put(envelope(1))
    held: list[float] = []

    @contextmanager
    def watched(_transport: Transport) -> Iterator[Any]:
        class Watched:
            def deliver(self, _envelope: Envelope, _is_ours: Callable[[], bool]) -> None:
                with schema.read(small_office.store) as connection:
                    (held_mail,) = outcomes.outcomes(connection)
                assert held_mail.lease_until_utc is not None
                held.append((held_mail.lease_until_utc - small_office.clock()).total_seconds())

        yield Watched()

    small_office.work(open_transport=watched)
    assert held == [600.0]


def test_a_mail_that_another_worker_took_meanwhile_is_not_sent_by_the_first(office: Office) -> None:
    """The machine slept between the lease and the content: the other has it by then."""
    office.put(envelope(1))

    @contextmanager
    def sleepy(transport: Transport) -> Iterator[Any]:
        with delivery.Connection(transport) as connection:

            class Sleepy:
                def deliver(self, mail: Envelope, is_ours: Callable[[], bool]) -> None:
                    office.clock.at += timedelta(seconds=delivery.LEASE_S)
                    outbox.lease(office.store, now_utc=office.clock(), owner="b")
                    connection.deliver(mail, is_ours)

            yield Sleepy()

    report = office.work(open_transport=sleepy)
    assert report.sent == report.put_off == ()
    assert office.arrived() == []
    assert office.states() == {"leased": 1}
