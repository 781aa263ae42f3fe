"""A server on loopback that takes one connection and does with it whatever a test wants."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable, Iterator


@contextlib.contextmanager
def server(behaviour: Callable[[socket.socket], None]) -> Iterator[int]:
    """Yield the port; whatever the peer breaks off ends the behaviour."""
    listening = socket.create_server(("127.0.0.1", 0))
    listening.settimeout(5.0)

    def serve() -> None:
        with contextlib.suppress(OSError):
            connection, _ = listening.accept()
            with connection:
                connection.settimeout(5.0)
                behaviour(connection)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield listening.getsockname()[1]
    finally:
        listening.close()
        thread.join()
