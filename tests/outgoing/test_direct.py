"""Mails past the outbox: once each, and what does not go is not tried once for each of a thousand sites."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from dataclasses import replace

import pytest
from mailserver import MailServer
from messages import envelope

from gonogo.outgoing.direct import TRIED_AGAIN_S, Direct
from gonogo.outgoing.rounds import FAULTS_THAT_END_A_ROUND
from gonogo.records.outside import Transport

SMTP = Transport(kind="smtp", sender="gonogo@example.com", security="none", timeout_s=0.2)
FOR_GOOD, LATER, SERVER = "550 5.1.1 no such user", "451 4.7.1 greylisted", "421 4.3.2 closing"


class Seconds:
    """A clock that stands still until it is told."""

    def __init__(self) -> None:
        self.at_s = 0.0

    def __call__(self) -> float:
        return self.at_s


@pytest.fixture
def silent() -> Iterator[socket.socket]:
    """A server that takes connections and says nothing."""
    with socket.create_server(("127.0.0.1", 0), backlog=100) as server:
        server.settimeout(0.2)
        yield server


def to(server: MailServer) -> Transport:
    return replace(SMTP, host=server.host, port=server.port, timeout_s=5.0)


def test_each_goes_once_and_what_is_refused_for_good_is_not_offered_again(mail_server: MailServer) -> None:
    direct, mails = Direct(), [envelope(1), envelope(2)]
    mail_server.at_rcpt = [FOR_GOOD]
    for _ in range(5):
        assert direct.send(to(mail_server), mails)
    assert len(mail_server.mails) == 1
    assert mail_server.n_connections == 1


def test_what_is_put_off_is_tried_again_a_little_later(mail_server: MailServer) -> None:
    clock = Seconds()
    direct = Direct(clock)
    mail_server.at_rcpt = [LATER]
    for _ in range(5):
        assert not direct.send(to(mail_server), [envelope(1)])
    assert mail_server.n_connections == 1
    clock.at_s += TRIED_AGAIN_S
    assert direct.send(to(mail_server), [envelope(1)])
    assert len(mail_server.mails) == 1


def test_a_mail_that_breaks_its_connection_holds_up_no_other(mail_server: MailServer) -> None:
    clock = Seconds()
    direct, mails = Direct(clock), [envelope(n) for n in range(4)]
    for _ in range(3):
        mail_server.at_rcpt = [SERVER]
        assert not direct.send(to(mail_server), mails)
        clock.at_s += TRIED_AGAIN_S
    assert len(mail_server.mails) == 3
    assert direct.send(to(mail_server), mails)


def test_a_server_that_is_silent_costs_many_sites_no_more_than_a_few(
    silent: socket.socket, mail_server: MailServer
) -> None:
    clock = Seconds()
    direct = Direct(clock)
    dead = replace(SMTP, host="127.0.0.1", port=silent.getsockname()[1])
    for n in range(60):
        assert not direct.send(dead, [envelope(n)])
    for _ in range(FAULTS_THAT_END_A_ROUND):
        silent.accept()[0].close()
    with pytest.raises(TimeoutError):
        silent.accept()
    assert not direct.send(to(mail_server), [envelope(1)]), "not before its time"
    clock.at_s += TRIED_AGAIN_S
    assert all(direct.send(to(mail_server), [envelope(n)]) for n in range(60))
    assert len(mail_server.mails) == 60
