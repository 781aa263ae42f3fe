"""To one mail server by SMTP. A connection is kept for the letters of a round and made anew after any fault.

What a fault means decides what happens next: a passing refusal of this letter, a refusal of it for good, or a server
that cannot be used now (TransportError). The exceptions of smtplib, ssl and socket stop here.
"""

from __future__ import annotations

import contextlib
import smtplib
import socket
import ssl
import threading
from email.parser import BytesParser
from email.policy import SMTP
from email.utils import parseaddr
from types import TracebackType

from gonogo.errors import DeliveryError, TransportError
from gonogo.outgoing.envelope import Letter, checked_address, checked_raw
from gonogo.records.outside import Transport

# The whole of one letter, connecting included. It stays below the outbox's lease: a server that answers one byte at a
# time would otherwise hold a letter until another worker takes it too.
LETTER_LIMIT_S = 240.0

# 421: going away. 503: lost the thread. 530, 534, 535, 538: wants another login. RFC 5321 and RFC 4954; none is about
# the letter, so the letter is not given up.
CODES_ABOUT_THE_SERVER = frozenset({421, 503, 530, 534, 535, 538})
LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})


class _ReplyError(Exception):
    """The server answered a step with something else than yes."""

    def __init__(self, step: str, code: int, text: bytes) -> None:
        self.step, self.code, self.text = step, code, text
        super().__init__(step, code)


class Connection:
    """A connection to the mail server of a transport: opened at the first letter, closed at the end of the block."""

    def __init__(self, transport: Transport, *, letter_limit_s: float = LETTER_LIMIT_S) -> None:
        self._transport = transport
        self._letter_limit_s = letter_limit_s
        self._server: smtplib.SMTP | None = None

    def __enter__(self) -> Connection:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def deliver(self, letter: Letter) -> None:
        """Hand a letter to the server; return only when the server has taken it.

        Raises DeliveryError; not passing where the server refuses this letter for good. Where a connection broke
        after the last line, the server may have taken the letter all the same.
        """
        raw = checked_raw(letter)
        watch = _Watch(self._letter_limit_s)
        try:
            self._step_by_step(letter, raw, watch)
        except _ReplyError as reply:
            if watch.has_cut:  # half an answer is none
                self._drop()
                raise TransportError(_cause(reply, self._transport, watch)) from reply
            self._reset(reply)
            raise _refusal(reply, letter, self._transport) from reply
        except (OSError, ValueError, smtplib.SMTPException) as error:
            # ValueError: a host name or a password that cannot be written in a command; the address was checked.
            self._drop()
            raise TransportError(_cause(error, self._transport, watch)) from error
        except BaseException:
            self._drop()
            raise
        finally:
            watch.end()

    def close(self) -> None:
        """Take leave of the server."""
        if self._server is not None:
            with contextlib.suppress(smtplib.SMTPException, OSError):
                self._server.quit()
            self._drop()

    def _step_by_step(self, letter: Letter, raw: bytes, watch: _Watch) -> None:
        """MAIL, RCPT, DATA, each answered before the next; an idle connection that has died is replaced unnoticed."""
        is_reused = self._server is not None
        try:
            server = self._opened(watch)
            self._introduce(server, letter, raw)
        except (_ReplyError, OSError, smtplib.SMTPException) as error:
            if not is_reused or (isinstance(error, _ReplyError) and error.code != 421):
                raise
            self._drop()
            server = self._opened(watch)
            self._introduce(server, letter, raw)
        code, text = server.rcpt(letter.address)
        if code not in (250, 251):
            raise _ReplyError("recipient", code, text)
        try:
            code, text = server.data(raw if server.has_extn("8bitmime") or raw.isascii() else _in_7_bits(raw))
        except smtplib.SMTPDataError as error:
            code, text = error.smtp_code, _as_bytes(error.smtp_error)
        if code != 250:
            raise _ReplyError("content", code, text)

    def _introduce(self, server: smtplib.SMTP, letter: Letter, raw: bytes) -> None:
        """The MAIL command with what this letter needs of the server."""
        options = []
        if server.has_extn("size"):
            options.append(f"size={len(raw)}")
        if not raw.isascii() and server.has_extn("8bitmime"):
            options.append("BODY=8BITMIME")
        if not letter.address.isascii():
            if not server.has_extn("smtputf8"):
                raise _ReplyError("recipient", 553, b"this server takes only addresses in plain letters")
            options.append("SMTPUTF8")
        code, text = server.mail(checked_address(parseaddr(self._transport.sender)[1]), options)
        if code != 250:
            raise _ReplyError("sender", code, text)

    def _opened(self, watch: _Watch) -> smtplib.SMTP:
        """The open connection, made, encrypted and logged in first where there is none."""
        if self._server is not None:
            watch.over(self._server)
            return self._server
        to = self._transport
        if to.username and to.security == "none" and to.host not in LOOPBACK:
            raise ValueError("a password is not sent unencrypted: set security to starttls or tls")
        server = (
            smtplib.SMTP_SSL(timeout=to.timeout_s, context=_trust(to))
            if to.security == "tls"
            else smtplib.SMTP(timeout=to.timeout_s)
        )
        # Connecting apart from making, so that the watch covers it; smtplib checks the certificate against this name.
        server._host = to.host  # type: ignore[attr-defined]  # no public way; connect() alone leaves it empty
        self._server = server
        watch.over(server)
        code, text = server.connect(to.host, to.port)
        if code != 220:
            raise _ReplyError("greeting", code, text)
        server.ehlo_or_helo_if_needed()
        if to.security == "starttls":
            code, text = server.starttls(context=_trust(to))
            if code != 220:
                raise _ReplyError("encryption", code, text)
            server.ehlo_or_helo_if_needed()
        if to.username:
            server.login(to.username, to.password or "")
        return server

    def _reset(self, reply: _ReplyError) -> None:
        """After a refused step: ready for the next letter, or away with the connection."""
        try:
            if self._server is None or reply.step not in ("recipient", "content", "sender") or reply.code == 421:
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


def deliver(letter: Letter, transport: Transport) -> None:
    """Hand one letter to the server of a transport. Raises DeliveryError, see Connection.deliver."""
    with Connection(transport) as connection:
        connection.deliver(letter)


class _Watch:
    """Cuts a connection when a letter has taken longer than its limit, however lively the server seems."""

    def __init__(self, limit_s: float) -> None:
        self.limit_s = limit_s
        self.has_cut = False
        self._server: smtplib.SMTP | None = None
        self._timer = threading.Timer(limit_s, self._cut)
        self._timer.daemon = True
        self._timer.start()

    def over(self, server: smtplib.SMTP) -> None:
        self._server = server
        if self.has_cut:
            raise TimeoutError("the time for this letter is over")

    def end(self) -> None:
        self._timer.cancel()

    def _cut(self) -> None:
        self.has_cut = True
        sock = None if self._server is None else self._server.sock
        if sock is not None:
            with contextlib.suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)


def _trust(transport: Transport) -> ssl.SSLContext:
    """The certificates to trust: the system's, and those that the transport names."""
    context = ssl.create_default_context()
    if transport.ca_file is not None:
        context.load_verify_locations(transport.ca_file)
    return context


def _refusal(reply: _ReplyError, letter: Letter, transport: Transport) -> DeliveryError:
    """What a step answered with no means for the letter."""
    said = f"{reply.code} {_shown(reply.text)}".strip()
    server = f"{transport.host}:{transport.port}"
    is_about_letter = reply.step in ("recipient", "content") or (reply.step == "sender" and reply.code == 552)
    if not is_about_letter or reply.code in CODES_ABOUT_THE_SERVER or not 400 <= reply.code < 600:
        return TransportError(
            f"{server} answered the {reply.step} with {said}. Check host, login and sender of the mail transport. "
            "The mails wait and are tried again."
        )
    if reply.code < 500:
        return DeliveryError(
            f"{server} put message {letter.message_id} off with {said}. It waits and is tried again.", passing=True
        )
    return DeliveryError(
        f"{server} refused the {reply.step} of message {letter.message_id} for good with {said}. "
        "Check the address. It is not tried again.",
        passing=False,
    )


def _cause(error: Exception, transport: Transport, watch: _Watch) -> str:
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
    if isinstance(error, smtplib.SMTPAuthenticationError):
        return (
            f"{server} refused the login with {error.smtp_code} {_shown(_as_bytes(error.smtp_error))}. "
            f"Check user name and password. {waits}"
        )
    if isinstance(error, smtplib.SMTPNotSupportedError):
        return (
            f"{server} does not offer what the transport asks for ({_shown(str(error).encode())}). "
            f"Check security (starttls, tls, none) and port. Nothing was sent in clear. {waits}"
        )
    if isinstance(error, TimeoutError) or isinstance(error.__context__, TimeoutError):
        return f"{server} was silent for {transport.timeout_s:g} s. {waits}"
    if isinstance(error, UnicodeError):  # its text would quote what could not be written, perhaps the password
        return f"{server}: host, user name or password holds a letter that SMTP cannot carry. {waits}"
    return f"{server} cannot be used now ({type(error).__name__}: {_shown(str(error).encode())}). {waits}"


def _in_7_bits(raw: bytes) -> bytes:
    """The same mail for a server that takes only 7-bit bodies."""
    return BytesParser(policy=SMTP).parsebytes(raw).as_bytes(policy=SMTP.clone(cte_type="7bit"))


def _as_bytes(text: bytes | str) -> bytes:
    return text if isinstance(text, bytes) else text.encode("utf-8", "replace")


def _shown(text: bytes) -> str:
    """A server's words on one line, without control characters, and not without end."""
    plain = "".join(c if c.isprintable() else " " for c in text.decode("utf-8", "replace"))
    return " ".join(plain.split())[:300]
