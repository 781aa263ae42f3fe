"""A real SMTP server on 127.0.0.1 that misbehaves on request, and certificates for it."""

from __future__ import annotations

import asyncio
import ipaddress
import socket
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any


class MailServer:
    """A real SMTP server on 127.0.0.1 that keeps what it takes, and misbehaves as its scripts say, step by step.

    at_rcpt, at_data   one item for each letter: None takes it; "451 ..." or "550 ..." is answered; a number is a
                       silence in seconds before taking it; "drop" cuts the connection before the final answer,
                       after the letter was taken; "drop in data" cuts it before it was
    """

    def __init__(self) -> None:
        self.mails: list[bytes] = []
        self.envelopes: list[tuple[str, list[str], list[str]]] = []
        self.at_rcpt: list[Any] = []
        self.at_data: list[Any] = []
        self.n_connections = 0
        self.host, self.port = "127.0.0.1", 0
        self._controller: Any = None

    # aiosmtpd calls these by name
    async def handle_EHLO(self, server: Any, session: Any, envelope: Any, hostname: str, responses: list[str]) -> Any:
        self.n_connections += 1
        session.host_name = hostname
        return responses

    async def handle_RCPT(self, server: Any, session: Any, envelope: Any, address: str, options: list[str]) -> str:
        step = self.at_rcpt.pop(0) if self.at_rcpt else None
        if isinstance(step, str):
            return step
        envelope.rcpt_tos.append(address)
        return "250 2.1.5 ok"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        step = self.at_data.pop(0) if self.at_data else None
        if isinstance(step, int | float):
            await asyncio.sleep(step)
        elif step == "drop in data":
            server.transport.abort()
            return "451 gone"
        elif step is not None and step != "drop":
            return str(step)
        self.mails.append(envelope.content)
        self.envelopes.append((envelope.mail_from, list(envelope.rcpt_tos), list(envelope.mail_options)))
        if step == "drop":
            server.transport.abort()
        return "250 2.0.0 queued"

    def start(self, **options: Any) -> None:
        from aiosmtpd.controller import Controller

        if not self.port:
            with socket.socket() as probe:
                probe.bind((self.host, 0))
                self.port = probe.getsockname()[1]
        self._controller = Controller(self, hostname=self.host, port=self.port, **options)
        self._controller.start()

    def stop(self) -> None:
        if self._controller is not None:
            self._controller.stop()
            self._controller = None


def make_certificate(folder: Path, address: str) -> tuple[Path, Path]:
    """Write a self-signed certificate for an address and its key; return both paths."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "mail.example.com")])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=2))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address(address))]), critical=False)
        .sign(key, hashes.SHA256())
    )
    pem, key_pem = folder / "certificate.pem", folder / "key.pem"
    pem.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    key_pem.write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    return pem, key_pem
