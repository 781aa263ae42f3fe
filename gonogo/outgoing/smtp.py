"""To one mail server by SMTP. A connection is kept for the mails of a round and made again after any fault.

What a fault means decides what happens next: a passing refusal of this mail, a refusal of it for good, or a server
that cannot be used now (TransportError). The exceptions of smtplib, ssl and socket stop here.
"""

from __future__ import annotations

import contextlib
import smtplib
import ssl
from collections.abc import Callable
from email.parser import BytesParser
from email.policy import SMTP
from email.utils import parseaddr
from types import TracebackType

from gonogo.errors import DeliveryError, TooManyConnectionsError, TransportError
from gonogo.outgoing.connections import is_about_connections
from gonogo.outgoing.envelope import LeaseLostError, always_ours, checked_address, checked_raw
from gonogo.outgoing.server import SendWatch, Server, TlsServer
from gonogo.records.foreign_text import one_line, without_secrets
from gonogo.records.outside import Transport
from gonogo.store.queued import Envelope

# The whole of one mail, connecting included. It stays below the outbox's lease: a server that answers one byte at a
# time would otherwise hold a mail until another worker takes it too.
MAIL_LIMIT_S = 240.0

# 421: going away. 503: lost the thread. 530, 534, 535, 538: wants another login. RFC 5321 and RFC 4954; none is about
# the mail, so the mail is not given up.
CODES_ABOUT_THE_SERVER = frozenset({421, 503, 530, 534, 535, 538})
# OpenSSL's words for a first answer that is no TLS, by its version.
NO_TLS_SPOKEN = frozenset({"WRONG_VERSION_NUMBER", "RECORD_LAYER_FAILURE"})
LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})


class _ReplyError(Exception):
    """The server answered a step with something else than yes."""

    def __init__(self, step: str, code: int, text: bytes) -> None:
        self.step, self.code, self.text = step, code, text
        super().__init__(step, code)


class Connection:
    """A connection to the mail server of a transport: opened at the first mail, closed at the end of the block."""

    def __init__(self, transport: Transport, *, mail_limit_s: float = MAIL_LIMIT_S) -> None:
        self._transport = transport
        self._mail_limit_s = mail_limit_s
        self._server: smtplib.SMTP | None = None
        self.answer = ""  # to the last mail that was taken, as a person may read it

    def __enter__(self) -> Connection:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def deliver(self, envelope: Envelope, is_ours: Callable[[], bool] = always_ours) -> None:
        """Hand a mail to the server; return only when the server has taken it.

        Raises DeliveryError; not passing where the server refuses this mail for good. Where a connection broke
        after the last line, the server may have taken the mail all the same.

        is_ours   asked before the content goes: where another worker has the mail by now, LeaseLostError is raised
        """
        raw = checked_raw(envelope)
        watch = SendWatch(self._mail_limit_s)
        is_settled = False
        try:
            self._step_by_step(envelope, raw, watch, is_ours)
            is_settled = True
        except LeaseLostError:
            self._reset("content")
            is_settled = True
            raise
        except _ReplyError as reply:
            if watch.has_cut:  # half an answer is none
                raise TransportError(_cause(reply, self._transport, watch)) from reply
            self._reset(reply.step, reply.code)
            is_settled = True
            raise _refusal(reply, envelope, self._transport) from reply
        except (OSError, ValueError, smtplib.SMTPException) as error:
            # ValueError: a host name or a password that cannot be written in a command; the address was checked.
            cause = _cause(error, self._transport, watch)
            if isinstance(error, smtplib.SMTPResponseException) and is_about_connections(
                "login", error.smtp_code, _as_bytes(error.smtp_error)
            ):
                raise TooManyConnectionsError(cause) from error
            raise TransportError(cause) from error
        finally:
            watch.end()
            if not is_settled:  # whatever broke off left the connection in a state that nobody knows
                self._drop()

    def close(self) -> None:
        """Take leave of the server."""
        if self._server is not None:
            with contextlib.suppress(smtplib.SMTPException, OSError):
                self._server.quit()
            self._drop()

    def _step_by_step(self, envelope: Envelope, raw: bytes, watch: SendWatch, is_ours: Callable[[], bool]) -> None:
        """MAIL, RCPT, DATA, each answered before the next; an idle connection that has died is replaced unnoticed."""
        is_reused = self._server is not None
        try:
            server = self._opened(watch)
            self._introduce(server, envelope, raw)
        except (_ReplyError, OSError, smtplib.SMTPException) as error:
            if not is_reused or (isinstance(error, _ReplyError) and error.code != 421):
                raise
            self._drop()
            server = self._opened(watch)
            self._introduce(server, envelope, raw)
        code, text = server.rcpt(envelope.address)
        if code not in (250, 251):
            raise _ReplyError("recipient", code, text)
        if not is_ours():
            raise LeaseLostError(f"Message {envelope.message_id}: another worker has it by now. It was not sent.")
        try:
            code, text = server.data(raw if server.has_extn("8bitmime") or raw.isascii() else _in_7_bits(raw))
        except smtplib.SMTPDataError as error:
            code, text = error.smtp_code, _as_bytes(error.smtp_error)
        if code != 250:
            raise _ReplyError("content", code, text)
        self.answer = f"{code} {_shown(text, self._transport)}"

    def _introduce(self, server: smtplib.SMTP, envelope: Envelope, raw: bytes) -> None:
        """The MAIL command with what this mail needs of the server."""
        options = []
        if server.has_extn("size"):
            options.append(f"size={len(raw)}")
        if not raw.isascii() and server.has_extn("8bitmime"):
            options.append("BODY=8BITMIME")
        if not envelope.address.isascii():
            if not server.has_extn("smtputf8"):
                raise _ReplyError("recipient", 553, b"this server takes only addresses in plain letters")
            options.append("SMTPUTF8")
        code, text = server.mail(checked_address(parseaddr(self._transport.sender)[1]), options)
        if code != 250:
            raise _ReplyError("sender", code, text)

    def _opened(self, watch: SendWatch) -> smtplib.SMTP:
        """The open connection, made, encrypted and logged in first where there is none."""
        if self._server is not None:
            watch.over(self._server.sock)
            return self._server
        to = self._transport
        if to.username and to.security == "none" and to.host not in LOOPBACK:
            raise ValueError("a password is not sent unencrypted: set security to starttls or tls")
        try:
            server = (
                TlsServer(to.host, to.port, timeout=to.timeout_s, context=_trust(to), watch=watch)
                if to.security == "tls"
                else Server(to.host, to.port, timeout=to.timeout_s, watch=watch)
            )
        except smtplib.SMTPConnectError as error:
            raise _ReplyError("greeting", error.smtp_code, _as_bytes(error.smtp_error)) from error
        self._server = server
        server.ehlo_or_helo_if_needed()
        if to.security == "starttls":
            code, text = server.starttls(context=_trust(to))
            if code != 220:
                raise _ReplyError("encryption", code, text)
            server.ehlo_or_helo_if_needed()
        if to.username:
            server.login(to.username, to.password or "")
        return server

    def _reset(self, step: str, code: int = 0) -> None:
        """After a refused step: ready for the next mail, or away with the connection."""
        try:
            if self._server is None or step not in ("recipient", "content", "sender") or code == 421:
                raise smtplib.SMTPServerDisconnected("not usable any more")
            if self._server.rset()[0] != 250:
                raise smtplib.SMTPServerDisconnected("not usable any more")
        except (smtplib.SMTPException, OSError):
            self._drop()

    def _drop(self) -> None:
        """Forget a connection in an unknown state, without a word."""
        if self._server is not None:
            server, self._server = self._server, None
            with contextlib.suppress(OSError):
                server.close()


def deliver(envelope: Envelope, transport: Transport) -> None:
    """Hand one mail to the server of a transport. Raises DeliveryError, see Connection.deliver."""
    with Connection(transport) as connection:
        connection.deliver(envelope)


def _trust(transport: Transport) -> ssl.SSLContext:
    """The certificates to trust: the system's, and those that the transport names."""
    context = ssl.create_default_context()
    if transport.ca_file is not None:
        context.load_verify_locations(transport.ca_file)
    return context


def _refusal(reply: _ReplyError, envelope: Envelope, transport: Transport) -> DeliveryError:
    """What a step answered with no means for the mail."""
    answer = f"{reply.code} {_shown(reply.text, transport)}".strip()
    server = f"{transport.host}:{transport.port}"
    if is_about_connections(reply.step, reply.code, reply.text):
        return TooManyConnectionsError(f"{server} takes no more connections now: {answer}. The mails wait for one.")
    is_about_mail = reply.step in ("recipient", "content") or (reply.step == "sender" and reply.code == 552)
    if not is_about_mail or reply.code in CODES_ABOUT_THE_SERVER or not 400 <= reply.code < 600:
        return TransportError(
            f"{server} answered the {reply.step} with {answer}. Check host, login and sender of the mail transport. "
            "The mails wait and are tried again."
        )
    if reply.code < 500:
        return DeliveryError(
            f"{server} put message {envelope.message_id} off with {answer}. It waits and is tried again.", passing=True
        )
    return DeliveryError(
        f"{server} refused the {reply.step} of message {envelope.message_id} for good with {answer}. "
        "Check the address. It is not tried again.",
        passing=False,
    )


def _cause(error: Exception, transport: Transport, watch: SendWatch) -> str:
    """Say what kept the server from being used, and what to look at."""
    server = f"{transport.host}:{transport.port}"
    waits = "The mails wait and are tried again."
    if watch.has_cut:
        return f"{server} took longer than {watch.limit_s:g} s over one mail. {waits}"
    if isinstance(error, ssl.SSLCertVerificationError):
        why = getattr(error, "verify_message", "") or "unknown reason"
        return (
            f"{server} shows a certificate that is not trusted: {why}. Nothing was sent to it. "
            f"Check the host name, or name the firm's certificates in ca_file. {waits}"
        )
    if isinstance(error, ssl.SSLError) and getattr(error, "reason", None) in NO_TLS_SPOKEN:
        return (
            f"{server} does not speak TLS from the first byte, as the transport asks for. "
            f"Check security (starttls, tls, none) and port. Nothing was sent in clear. {waits}"
        )
    if isinstance(error, smtplib.SMTPAuthenticationError):
        return (
            f"{server} refused the login with {error.smtp_code} {_shown(_as_bytes(error.smtp_error), transport)}. "
            f"Check user name and password. {waits}"
        )
    if isinstance(error, smtplib.SMTPNotSupportedError):
        return (
            f"{server} does not offer what the transport asks for ({_shown(str(error).encode(), transport)}). "
            f"Check security (starttls, tls, none) and port. Nothing was sent in clear. {waits}"
        )
    if isinstance(error, TimeoutError) or isinstance(error.__context__, TimeoutError):
        return f"{server} was silent for {transport.timeout_s:g} s. {waits}"
    if isinstance(error, UnicodeError):  # its text would quote what could not be written, perhaps the password
        return f"{server}: host, user name or password holds a letter that SMTP cannot carry. {waits}"
    return f"{server} cannot be used now ({type(error).__name__}: {_shown(str(error).encode(), transport)}). {waits}"


def _in_7_bits(raw: bytes) -> bytes:
    """The same mail for a server that takes only 7-bit bodies."""
    return BytesParser(policy=SMTP).parsebytes(raw).as_bytes(policy=SMTP.clone(cte_type="7bit"))


def _as_bytes(text: bytes | str) -> bytes:
    return text if isinstance(text, bytes) else text.encode("utf-8", "replace")


def _shown(text: bytes, transport: Transport) -> str:
    """A server's words on one line, without secrets that it may echo."""
    secrets = [transport.password] if transport.password else []
    return one_line(without_secrets(text[:10_000].decode("utf-8", "replace"), secrets))
