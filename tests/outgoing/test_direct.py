"""Mails past the outbox: once each, and what does not go is not tried once for each of a thousand sites."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from types import SimpleNamespace
from typing import cast

import pytest
from mailserver import MailServer
from messages import envelope

from gonogo.config import Config
from gonogo.errors import DeliveryError, TransportError
from gonogo.outgoing.delivery import OpenTransport
from gonogo.outgoing.direct import TRIED_AGAIN_S, Direct
from gonogo.outgoing.rounds import FAULTS_THAT_END_A_ROUND
from gonogo.records.outside import Transport
from gonogo.store.queued import Envelope

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
    for n in range(3):
        mail_server.at_rcpt = [SERVER]
        assert not direct.send(to(mail_server), mails)
        clock.at_s += TRIED_AGAIN_S * 2.0**n
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


def test_what_went_is_not_made_again_nor_made_while_the_server_pauses(mail_server: MailServer) -> None:
    clock, config = Seconds(), config_of(to(mail_server))
    direct, made = Direct(clock), list[int]()

    def make(n: int) -> list[Envelope]:
        made.append(n)
        return [envelope(n)]

    def send(n: int) -> bool:
        return direct.send_made(f"site-{n}", config, partial(make, n))

    mail_server.at_rcpt = [SERVER] * FAULTS_THAT_END_A_ROUND
    for _ in range(3):
        assert not any(send(n) for n in range(60))
    assert made == list(range(FAULTS_THAT_END_A_ROUND)), "the others were made in vain"
    clock.at_s += TRIED_AGAIN_S
    for _ in range(3):
        assert all(send(n) for n in range(60))
    assert made == list(range(60))
    assert len(mail_server.mails) == 60


def test_by_another_config_they_are_made_anew_and_go_to_nobody_twice(mail_server: MailServer) -> None:
    direct, first, second = Direct(), config_of(to(mail_server)), config_of(to(mail_server))
    assert direct.send_made("site", first, lambda: [envelope(1)])
    assert direct.send_made("site", second, lambda: [envelope(1), envelope(2)])
    assert len(mail_server.mails) == 2


def test_a_server_that_hangs_pauses_after_one_mail_which_holds_up_no_other(mail_server: MailServer) -> None:
    """The watch waits behind it; and the mail that it hangs over, should it be that, comes again ever later."""
    clock, tried = Seconds(), list[str]()

    class Hanging(Direct):
        def _tried(self, opened: OpenTransport, envelope: Envelope) -> DeliveryError | None:
            tried.append(envelope.message_id)
            if envelope.message_id != mails[0].message_id:
                return None
            clock.at_s += 20.0
            return TransportError("silent")

    direct, mails = Hanging(clock), [envelope(n) for n in range(5)]
    assert not direct.send(to(mail_server), mails)
    assert tried == [mails[0].message_id]
    for _ in range(3):
        clock.at_s += 20.0
        direct.send(to(mail_server), mails)
    assert {mail.message_id for mail in mails} == set(tried)
    assert tried.count(mails[0].message_id) < 4


def config_of(transport: Transport) -> Config:
    return cast("Config", SimpleNamespace(transport=transport))
