"""A real IMAP server on loopback, from pip alone, and the inbox that reads it."""

from __future__ import annotations

import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from imap_tools import MailBoxUnencrypted
from inbox_scene import KEY

from gonogo.records.outside import Inbox

PYMAP = Path(sys.executable).parent / "pymap"


@contextmanager
def imap_server() -> Iterator[Inbox]:
    """Start a server with one empty account, and give the inbox of that."""
    if not PYMAP.exists() and shutil.which("pymap") is None:
        pytest.skip("the test extra holds the IMAP server")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [str(PYMAP), "--host", "127.0.0.1", "--port", str(port), "--no-tls", "dict"]
    server = subprocess.Popen(
        [*command, "--demo-user", "crew", "--demo-password", "pw"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        for _ in range(200):
            try:
                socket.create_connection(("127.0.0.1", port), timeout=1).close()
                break
            except OSError:
                time.sleep(0.05)
        inbox = Inbox(
            kind="imap",
            address="gonogo@example.com",
            key=KEY,
            trusted_server="mx.example.com",
            host="127.0.0.1",
            port=port,
            security="none",
            username="crew",
            password="pw",
        )
        with box_of(inbox) as box:  # the demo account holds mails of its own
            box.delete(box.uids())
        yield inbox
    finally:
        server.terminate()
        server.wait()


def box_of(inbox: Inbox) -> MailBoxUnencrypted:
    """Open the account as its owner would."""
    box = MailBoxUnencrypted(inbox.host, inbox.port)
    box.login(inbox.username, inbox.password)
    return box
