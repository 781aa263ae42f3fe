"""SMTP against a real server that misbehaves: each fault means what it should for the letter and for the round."""

from __future__ import annotations

import contextlib
import dataclasses
import inspect
import smtplib
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from email.parser import BytesParser
from email.policy import SMTP
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.smtp import AuthResult
from mailserver import MailServer, make_certificate
from messages import envelope, raw_mail

from gonogo.errors import DeliveryError, TransportError
from gonogo.outgoing import smtp
from gonogo.outgoing.smtp import Connection, deliver
from gonogo.records.outside import Transport


def to(server: MailServer, **changes: Any) -> Transport:
    fields: dict[str, Any] = {
        "kind": "smtp",
        "sender": "Site weather <gonogo@example.com>",
        "host": server.host,
        "port": server.port,
        "security": "none",
        "timeout_s": 5.0,
    }
    return Transport(**(fields | changes))


def test_a_letter_arrives_to_the_byte_for_its_reader_alone(mail_server: MailServer) -> None:
    deliver(envelope(), to(mail_server))
    assert mail_server.mails == [envelope().raw]
    sender, readers, _ = mail_server.envelopes[0]
    assert (sender, readers) == ("gonogo@example.com", ["reader1@example.com"])


def test_lines_that_begin_with_a_dot_arrive_and_end_nothing(mail_server: MailServer) -> None:
    mail = envelope()
    raw = mail.raw + b".\r\nMAIL FROM:<a@example.org>\r\n..\n.\n"
    deliver(envelope(raw=raw), to(mail_server))
    assert mail_server.mails == [raw.replace(b"..\n.\n", b"..\r\n.\r\n")]


def test_a_body_of_any_script_arrives_readable(mail_server: MailServer) -> None:
    mail = envelope()
    raw = raw_mail(mail.message_id, mail.address, body="N1: počkej, 16 °C\n")
    deliver(envelope(raw=raw), to(mail_server))
    body = BytesParser(policy=SMTP).parsebytes(mail_server.mails[0]).get_body(("plain",))
    assert body is not None
    assert "počkej, 16 °C" in body.get_content()


def test_a_server_for_seven_bits_gets_seven_bits(mail_server: MailServer, monkeypatch: pytest.MonkeyPatch) -> None:
    known = smtplib.SMTP.has_extn
    monkeypatch.setattr(smtplib.SMTP, "has_extn", lambda self, name: name != "8bitmime" and known(self, name))
    mail = envelope()
    raw = raw_mail(mail.message_id, mail.address, body="N1: počkej\n")
    assert not raw.isascii()
    deliver(envelope(raw=raw), to(mail_server))
    assert mail_server.mails[0].isascii()
    body = BytesParser(policy=SMTP).parsebytes(mail_server.mails[0]).get_body(("plain",))
    assert body is not None
    assert "počkej" in body.get_content()


def test_one_connection_serves_a_round_and_faults_do_not_cut_it(mail_server: MailServer) -> None:
    mail_server.at_rcpt = [None, "550 5.1.1 no such user", "451 4.7.1 later", None]
    mail_server.at_data = [None, "554 5.6.0 no", None]
    with Connection(to(mail_server)) as connection:
        connection.deliver(envelope(1))
        for n in (2, 3, 4):
            with pytest.raises(DeliveryError):
                connection.deliver(envelope(n))
        connection.deliver(envelope(5))
    assert [envelope[1] for envelope in mail_server.envelopes] == [["reader1@example.com"], ["reader5@example.com"]]
    assert mail_server.n_connections == 1


def test_a_connection_that_died_while_idle_is_replaced_unnoticed(mail_server: MailServer) -> None:
    with Connection(to(mail_server)) as connection:
        connection.deliver(envelope(1))
        mail_server.stop()
        mail_server.start()
        connection.deliver(envelope(2))
    assert len(mail_server.mails) == 2


@pytest.mark.parametrize(
    ("where", "answer", "is_passing", "is_server"),
    [
        ("at_rcpt", "450 4.2.1 greylisted", True, False),
        ("at_rcpt", "550 5.1.1 no such user", False, False),
        ("at_rcpt", "530 5.7.0 authentication required", True, True),
        ("at_rcpt", "421 4.3.2 closing", True, True),
        ("at_data", "451 4.7.1 later", True, False),
        ("at_data", "452 4.2.2 mailbox full", True, False),
        ("at_data", "554 5.7.1 rejected", False, False),
        ("at_data", "421 4.3.2 closing", True, True),
    ],
)
def test_an_answer_means_what_its_code_says(
    mail_server: MailServer, where: str, answer: str, is_passing: bool, is_server: bool
) -> None:
    setattr(mail_server, where, [answer])
    with pytest.raises(DeliveryError) as fault:
        deliver(envelope(), to(mail_server))
    assert fault.value.passing is is_passing
    assert isinstance(fault.value, TransportError) is is_server
    assert answer[:3] in str(fault.value)
    assert mail_server.mails == []


@pytest.mark.parametrize(("step", "n_kept"), [("drop in data", 0), ("drop", 1)])
def test_a_connection_cut_over_a_letter_is_passing_and_the_outcome_unknown(
    mail_server: MailServer, step: str, n_kept: int
) -> None:
    mail_server.at_data = [step]
    with Connection(to(mail_server)) as connection:
        with pytest.raises(TransportError):
            connection.deliver(envelope())
        assert len(mail_server.mails) == n_kept
        connection.deliver(envelope())  # the same letter again, under the same Message-ID
    kept = {BytesParser(policy=SMTP).parsebytes(raw)["message-id"] for raw in mail_server.mails}
    assert kept == {envelope().message_id}
    assert len(mail_server.mails) == n_kept + 1


@pytest.mark.parametrize("n_steps", range(4))
def test_a_server_that_falls_silent_before_the_content_is_given_up(n_steps: int) -> None:
    answers = [b"220 here\r\n", b"250 here\r\n", b"250 ok\r\n", b"250 ok\r\n"]

    def falls_silent(caller: socket.socket) -> None:
        for answer in answers[:n_steps]:
            caller.sendall(answer)
            caller.recv(65_536)
        time.sleep(1.0)

    with talker(falls_silent) as port:
        transport = Transport(
            kind="smtp", sender="a@example.com", host="127.0.0.1", port=port, security="none", timeout_s=0.2
        )
        with pytest.raises(TransportError, match=r"silent for 0\.2 s"):
            Connection(transport, mail_limit_s=5.0).deliver(envelope())


def test_a_server_that_takes_the_content_late_is_waited_for_beyond_its_other_answers(mail_server: MailServer) -> None:
    """It has the mail: who left before it says so would send the mail again, and again."""
    mail_server.at_data = [0.8, None]
    with Connection(to(mail_server, timeout_s=0.3)) as connection:
        connection.deliver(envelope(1))
        assert len(mail_server.mails) == 1
        connection.deliver(envelope(2))
        assert connection._server is not None
        assert connection._server.sock is not None
        assert connection._server.sock.gettimeout() == 0.3
    assert mail_server.n_connections == 1


def test_a_server_that_never_answers_for_the_content_is_cut_at_the_limit(mail_server: MailServer) -> None:
    mail_server.at_data = [2.0]
    started = time.monotonic()
    with pytest.raises(TransportError, match=r"took longer than 0\.5 s over one mail"):
        Connection(to(mail_server, timeout_s=0.2), mail_limit_s=0.5).deliver(envelope())
    assert time.monotonic() - started < 1.5


def test_a_server_that_speaks_no_tls_where_it_is_asked_for_gets_nothing_in_clear(mail_server: MailServer) -> None:
    with pytest.raises(TransportError, match=r"does not speak TLS from the first byte.*Check security .* and port"):
        deliver(envelope(), to(mail_server, security="tls"))
    assert mail_server.mails == []


def test_a_server_that_is_down_is_named(mail_server: MailServer) -> None:
    mail_server.stop()
    with pytest.raises(TransportError, match=rf"{mail_server.host}:{mail_server.port} cannot be used now"):
        deliver(envelope(), to(mail_server))


@contextlib.contextmanager
def talker(talk: Callable[[socket.socket], None]) -> Iterator[int]:
    """A server that says to its one caller whatever `talk` says."""
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def serve() -> None:
            with contextlib.suppress(OSError):
                caller, _ = listener.accept()
                with caller:
                    talk(caller)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield listener.getsockname()[1]
    thread.join(timeout=5)


def drip(caller: socket.socket) -> None:
    for _ in range(200):
        caller.sendall(b"2")
        time.sleep(0.02)


def test_a_server_that_answers_byte_by_byte_is_cut_at_the_limit() -> None:
    with talker(drip) as port:
        transport = Transport(kind="smtp", sender="a@example.com", host="127.0.0.1", port=port, security="none")
        started = time.monotonic()
        with pytest.raises(TransportError, match=r"took longer than 0\.3 s"):
            Connection(transport, mail_limit_s=0.3).deliver(envelope())
        assert time.monotonic() - started < 2.0


@pytest.mark.parametrize(
    "greeting", [b"", b"220 ", b"554 go away\r\n", b"HTTP/1.1 400 Bad\r\n\r\n", b"\xff\xfe\r\n", b"220 hi\r\n\r\n\r\n"]
)
def test_a_server_that_speaks_something_else_is_a_fault_of_the_server(greeting: bytes) -> None:
    with talker(lambda caller: caller.sendall(greeting)) as port:
        transport = Transport(kind="smtp", sender="a@example.com", host="127.0.0.1", port=port, security="none")
        with pytest.raises(TransportError):
            deliver(envelope(), transport)


# --- encryption and login ------------------------------------------------------------------------------------


def knows_crew(_server: Any, _session: Any, _envelope: Any, _mechanism: str, data: Any) -> AuthResult:
    return AuthResult(success=(data.login, data.password) == (b"gonogo", b"right"), handled=False)


LOGIN = {"username": "gonogo", "password": "right"}


def starttls_server(make: Callable[..., MailServer], tls: ssl.SSLContext) -> MailServer:
    return make(tls_context=tls, require_starttls=True, authenticator=knows_crew, auth_required=True)


@pytest.mark.filterwarnings("ignore:Session.login_data is deprecated")
def test_starttls_with_a_trusted_certificate_and_login_delivers(
    make_mail_server: Callable[..., MailServer], server_tls: ssl.SSLContext, certificate: tuple[Path, Path]
) -> None:
    server = starttls_server(make_mail_server, server_tls)
    deliver(envelope(), to(server, security="starttls", ca_file=certificate[0], **LOGIN))
    assert server.mails == [envelope().raw]


@pytest.mark.filterwarnings("ignore:Session.login_data is deprecated", "ignore:Requiring AUTH while not requiring TLS")
def test_tls_from_the_first_byte_delivers(
    make_mail_server: Callable[..., MailServer], server_tls: ssl.SSLContext, certificate: tuple[Path, Path]
) -> None:
    server = make_mail_server(
        ssl_context=server_tls, authenticator=knows_crew, auth_required=True, auth_require_tls=False
    )
    deliver(envelope(), to(server, security="tls", ca_file=certificate[0], **LOGIN))
    assert server.mails == [envelope().raw]


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_certificate_that_is_not_trusted_gets_nothing(
    make_mail_server: Callable[..., MailServer], server_tls: ssl.SSLContext, security: str
) -> None:
    options = {"tls_context": server_tls} if security == "starttls" else {"ssl_context": server_tls}
    server = make_mail_server(**options)
    with pytest.raises(TransportError, match="certificate that is not trusted"):
        deliver(envelope(), to(server, security=security, **LOGIN))
    assert server.mails == []


def test_a_trusted_certificate_for_another_host_gets_nothing(
    make_mail_server: Callable[..., MailServer], tmp_path: Path
) -> None:
    pem, key = make_certificate(tmp_path, "192.0.2.1")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(pem, key)
    server = make_mail_server(tls_context=context)
    with pytest.raises(TransportError, match=r"certificate that is not trusted: IP address mismatch"):
        deliver(envelope(), to(server, security="starttls", ca_file=pem))
    assert server.mails == []


def test_starttls_that_is_not_offered_is_not_done_without(mail_server: MailServer) -> None:
    with pytest.raises(TransportError, match="Nothing was sent in clear"):
        deliver(envelope(), to(mail_server, security="starttls"))
    assert mail_server.mails == []


@pytest.mark.filterwarnings("ignore:Session.login_data is deprecated")
@pytest.mark.parametrize("password", ["wrong", "", "pässwörd"])
def test_a_wrong_password_is_said_and_never_shown(
    make_mail_server: Callable[..., MailServer],
    server_tls: ssl.SSLContext,
    certificate: tuple[Path, Path],
    password: str,
) -> None:
    server = starttls_server(make_mail_server, server_tls)
    transport = to(server, security="starttls", ca_file=certificate[0], username="gonogo", password=password)
    with pytest.raises(TransportError, match="password") as fault:
        deliver(envelope(), transport)
    assert not password or password not in str(fault.value)
    assert server.mails == []


def test_no_login_where_one_is_asked_for_is_a_fault_of_the_transport(
    make_mail_server: Callable[..., MailServer], server_tls: ssl.SSLContext, certificate: tuple[Path, Path]
) -> None:
    server = starttls_server(make_mail_server, server_tls)
    with pytest.raises(TransportError, match="530"):
        deliver(envelope(), to(server, security="starttls", ca_file=certificate[0]))


def test_a_password_never_leaves_unencrypted_for_another_machine() -> None:
    transport = Transport(
        kind="smtp", sender="a@example.com", host="mail.example.com", port=25, security="none", **LOGIN
    )
    with pytest.raises(TransportError, match="not sent unencrypted"):
        deliver(envelope(), transport)


# --- nothing slips through -----------------------------------------------------------------------------------


def exceptions_of_the_libraries() -> list[Exception]:
    """One of every exception class of smtplib, ssl and socket that can be made."""
    made: list[Exception] = []
    for module in (smtplib, ssl, socket):
        for _name, kind in inspect.getmembers(module, inspect.isclass):
            if issubclass(kind, Exception) and not kind.__name__.startswith("_"):
                for arguments in (
                    (),
                    ("x",),
                    (500, b"x"),
                    (500, b"x", "a@example.com"),
                    ({"a@example.com": (550, b"x")},),
                ):
                    with contextlib.suppress(TypeError):
                        made.append(kind(*arguments))
                        break
    return made


@pytest.mark.parametrize("step", ["connect", "ehlo_or_helo_if_needed", "mail", "rcpt", "data"])
def test_every_exception_of_the_libraries_is_translated(
    mail_server: MailServer, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    faults = exceptions_of_the_libraries()
    assert {"SMTPServerDisconnected", "SMTPRecipientsRefused", "SSLCertVerificationError", "gaierror"} <= {
        type(fault).__name__ for fault in faults
    }
    for fault in faults:

        def fail(*_arguments: Any, fault: Exception = fault, **_named: Any) -> Any:
            raise fault

        monkeypatch.setattr(smtplib.SMTP, step, fail)
        with pytest.raises(DeliveryError):
            deliver(envelope(), to(mail_server))
    assert mail_server.mails == []


def test_the_limit_of_a_letter_leaves_room_in_a_lease() -> None:
    from gonogo.outgoing import delivery

    assert smtp.MAIL_LIMIT_S * 2 < delivery.LEASE_S


def test_a_password_is_not_printed_with_its_transport(mail_server: MailServer) -> None:
    assert "right" not in repr(dataclasses.replace(to(mail_server), **LOGIN))
