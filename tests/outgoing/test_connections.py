"""Many mails by several connections: each once, and no more connections than the server takes."""

from __future__ import annotations

import random
from datetime import timedelta
from email.parser import BytesParser
from email.policy import SMTP
from typing import Any

import pytest
import sqlalchemy as sa
from mailserver import MailServer
from messages import MORNING, envelope

from gonogo.errors import StoreError
from gonogo.outgoing import connections
from gonogo.outgoing.connections import Limit, is_about_connections
from gonogo.outgoing.delivery import DeliveryReport, Memory, Worker
from gonogo.records.outside import Transport
from gonogo.store import outbox, outcomes, schema


def transport(server: MailServer, n_connections: int | None = 4) -> Transport:
    return Transport(
        kind="smtp",
        sender="gonogo@example.com",
        host=server.host,
        port=server.port,
        security="none",
        timeout_s=5.0,
        connections=n_connections,
    )


def put(store: sa.Engine, n_mails: int) -> None:
    with schema.begin(store) as connection:
        outbox.put(connection, [envelope(n) for n in range(n_mails)], now_utc=MORNING)


def delivered(store: sa.Engine, to: Transport, *, limit: int | None = None, **changes: Any) -> DeliveryReport:
    named: dict[str, Any] = {"memory": Memory(), "rng": random.Random(1), "now_utc": lambda: MORNING} | changes
    return Worker(store=store, transport=to, owner="a", **named).round(limit)


def arrived(server: MailServer) -> list[str]:
    return sorted(str(BytesParser(policy=SMTP).parsebytes(raw)["message-id"]) for raw in server.mails)


def all_of(n_mails: int) -> list[str]:
    return sorted(envelope(n).message_id for n in range(n_mails))


def states(store: sa.Engine) -> dict[str, int]:
    with schema.read(store) as connection:
        return {state: n for state, n in outcomes.counts(connection, now_utc=MORNING).items() if n}


def test_many_mails_go_by_several_connections_and_each_once(store: sa.Engine, mail_server: MailServer) -> None:
    put(store, 40)
    mail_server.at_data = [0.05] * 40
    report = delivered(store, transport(mail_server))
    assert report.is_good
    assert len(report.sent) == 40
    assert arrived(mail_server) == all_of(40)
    assert mail_server.n_connections == 4


def test_no_more_mails_than_asked_for_go_whatever_the_connections(
    sqlite_store: sa.Engine, mail_server: MailServer
) -> None:
    put(sqlite_store, 40)
    assert len(delivered(sqlite_store, transport(mail_server), limit=11).sent) == len(mail_server.mails) == 11


class FullServer(MailServer):
    """Takes mails by so many connections, those that come first; every other one is told so in its words."""

    def __init__(self, most: int, words: str) -> None:
        super().__init__()
        self.most, self.words, self.taken, self.n_refused = most, words, list[Any](), 0

    async def handle_MAIL(self, server: Any, session: Any, envelope: Any, address: str, options: list[str]) -> str:
        if session not in self.taken:
            if len(self.taken) >= self.most:
                self.n_refused += 1
                return self.words
            self.taken.append(session)
        envelope.mail_from = address
        return "250 ok"


WORDS = (
    "421 4.7.0 mail.example.com Error: too many connections from 127.0.0.1",
    "432 4.3.2 Concurrent connections limit exceeded",
    "450 4.7.1 too many simultaneous sessions",
)


@pytest.fixture
def full_server() -> Any:
    started: list[FullServer] = []

    def make(most: int, words: str) -> FullServer:
        started.append(FullServer(most, words))
        started[-1].start()
        return started[-1]

    yield make
    for server in started:
        server.stop()


@pytest.mark.parametrize("words", WORDS)
def test_a_server_s_own_limit_reduces_the_connections_and_puts_no_mail_off(
    sqlite_store: sa.Engine, full_server: Any, words: str
) -> None:
    server = full_server(2, words)
    put(sqlite_store, 30)
    server.at_data = [0.05] * 30
    memory = Memory()
    report = delivered(sqlite_store, transport(server, 6), memory=memory)
    assert report.is_good
    assert arrived(server) == all_of(30)
    assert states(sqlite_store) == {"sent": 30}
    assert 1 <= server.n_refused <= 4
    assert memory.limit.wanted(transport(server, 6), 100) == 6 - server.n_refused


def test_a_server_that_takes_not_even_one_connection_is_a_server_that_cannot_be_used(
    sqlite_store: sa.Engine, full_server: Any
) -> None:
    server = full_server(0, WORDS[0])
    put(sqlite_store, 30)
    report = delivered(sqlite_store, transport(server, 6))
    assert "takes no more connections now" in report.server_fault
    assert len(report.put_off) == server.n_refused == 3
    assert states(sqlite_store) == {"waiting": 30}


def test_a_server_that_is_down_is_asked_by_one_connection_only(
    sqlite_store: sa.Engine, mail_server: MailServer
) -> None:
    to = transport(mail_server, 10)
    mail_server.stop()
    put(sqlite_store, 60)
    assert len(delivered(sqlite_store, to).put_off) == 3


def test_a_database_that_refuses_is_raised_whichever_connection_met_it(
    sqlite_store: sa.Engine, mail_server: MailServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(sqlite_store, 20)
    memory, n_marked, real = Memory(), [0], outbox.sent_and_next

    def mark(*arguments: Any, **named: Any) -> Any:
        n_marked[0] += 1
        if n_marked[0] > 5:
            raise StoreError("disk full")
        return real(*arguments, **named)

    with monkeypatch.context() as patched:
        patched.setattr(outbox, "sent_and_next", mark)
        with pytest.raises(StoreError, match="disk full"):
            delivered(sqlite_store, transport(mail_server), memory=memory)
    assert memory.went
    delivered(sqlite_store, transport(mail_server), memory=memory, now_utc=lambda: MORNING + timedelta(hours=1))
    assert arrived(mail_server) == all_of(20), "what went is marked in the next round, and goes no second time"


def test_how_many_connections_are_opened() -> None:
    to = Transport(kind="smtp", sender="gonogo@example.com", host="mail.example.com", port=25)
    limit = Limit()
    assert [limit.wanted(to, n) for n in (0, 1, 30, 31, 3000)] == [1, 1, 1, 2, connections.MOST_UNASKED]
    asked = Transport(kind="smtp", sender="gonogo@example.com", host="mail.example.com", port=25, connections=4)
    assert [limit.wanted(asked, n) for n in (0, 3, 3000)] == [1, 3, 4]
    folder = Transport(kind="folder", sender="gonogo@example.com")
    assert limit.wanted(folder, 3000) == 1


def test_a_limit_that_a_server_told_is_tried_again_by_one_more_after_a_while() -> None:
    at_s = [0.0]
    to = Transport(kind="smtp", sender="gonogo@example.com", host="mail.example.com", port=25)
    limit = Limit(lambda: at_s[0])
    limit.refused_beside(5)
    limit.refused_beside(3)
    limit.refused_beside(4)
    assert limit.wanted(to, 3000) == 3
    at_s[0] = connections.BELIEVED_S
    assert limit.wanted(to, 3000) == 4
    limit.refused_beside(0)
    assert limit.wanted(to, 3000) == 1


@pytest.mark.parametrize(
    ("step", "code", "text", "is_it"),
    [
        ("greeting", 421, b"busy", True),
        ("sender", 421, b"going away", False),
        ("sender", 450, b"too many connections", True),
        ("recipient", 450, b"greylisted", False),
        ("recipient", 550, b"too many connections", False),
        ("login", 454, b"4.7.0 Too many login attempts", True),
    ],
)
def test_which_answers_are_about_connections(step: str, code: int, text: bytes, is_it: bool) -> None:
    assert is_about_connections(step, code, text) == is_it


def test_one_connection_is_what_delivers_few_mails(sqlite_store: sa.Engine, mail_server: MailServer) -> None:
    put(sqlite_store, 25)
    delivered(sqlite_store, transport(mail_server, None))
    assert mail_server.n_connections == 1
    assert arrived(mail_server) == all_of(25)
