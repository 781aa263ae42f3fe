"""A real IMAP server on loopback, from pip alone, and the inbox that reads it."""

from __future__ import annotations

import shutil
import socket
import socketserver
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import replace
from pathlib import Path

import pytest
from imap_tools import BaseMailBox, MailBox, MailBoxStartTls, MailBoxUnencrypted
from inbox_scene import KEY

from gonogo.records.outside import Inbox

PYMAP = Path(sys.executable).parent / "pymap"


@contextmanager
def imap_server(certificate: tuple[Path, Path] | None = None, *, security: str = "none") -> Iterator[Inbox]:
    """Start a server with one empty account, and give the inbox of that.

    certificate   file and key file, with which it is encrypted: by STARTTLS, or (security "tls") from the first byte on
    """
    if not PYMAP.exists() and shutil.which("pymap") is None:
        pytest.skip("the test extra holds the IMAP server")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    tls = ["--no-tls"] if certificate is None else ["--cert", str(certificate[0]), "--key", str(certificate[1])]
    if security == "tls":
        tls = ["--no-tls"]  # what stands before it does the encryption
    command = [str(PYMAP), "--host", "127.0.0.1", "--port", str(port), *tls, "dict"]
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
            security=security,
            username="crew",
            password="pw",
            ca_file=certificate[0] if certificate else None,
        )
        with encrypted(port, certificate) if certificate and security == "tls" else nullcontext(port) as shown_port:
            inbox = replace(inbox, port=shown_port)
            with box_of(inbox) as box:  # the demo account holds mails of its own
                box.delete(box.uids())
            yield inbox
    finally:
        server.terminate()
        server.wait()


def box_of(inbox: Inbox) -> BaseMailBox:
    """Open the account as its owner would."""
    if inbox.security == "none":
        box: BaseMailBox = MailBoxUnencrypted(inbox.host, inbox.port)
    else:
        trusted = ssl.create_default_context(cafile=inbox.ca_file)
        box = {"tls": MailBox, "starttls": MailBoxStartTls}[inbox.security](inbox.host, inbox.port, ssl_context=trusted)
    box.login(inbox.username, inbox.password)
    return box


@contextmanager
def encrypted(port: int, certificate: tuple[Path, Path]) -> Iterator[int]:
    """Stand before a server that speaks in clear, encrypted from the first byte on; give the port."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*certificate)

    class Relay(socketserver.BaseRequestHandler):
        def handle(self) -> None:
            try:
                outside = context.wrap_socket(self.request, server_side=True)
            except (ssl.SSLError, OSError):  # a client that does not trust the certificate
                return
            with outside, socket.create_connection(("127.0.0.1", port)) as inside:
                back = threading.Thread(target=pass_on, args=(inside, outside), daemon=True)
                back.start()
                pass_on(outside, inside)
                back.join(timeout=5)

    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Relay) as server:
        server.daemon_threads = True
        threading.Thread(target=server.serve_forever, daemon=True).start()
        try:
            yield int(server.server_address[1])
        finally:
            server.shutdown()


def pass_on(source: socket.socket, target: socket.socket) -> None:
    """Pass bytes on until one side ends."""
    with suppress(OSError):
        while data := source.recv(65_536):
            target.sendall(data)
    with suppress(OSError):
        target.shutdown(socket.SHUT_WR)
