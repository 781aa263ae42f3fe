"""How a running service is told from outside to stop, or to read its config again."""

from __future__ import annotations

import logging
import signal
import threading

log = logging.getLogger("gonogo.service.stop_signals")


def heed_signals(stop: threading.Event, reread: threading.Event) -> None:
    """Let SIGTERM and SIGINT end the service after the step that is under way, and SIGHUP read the config again."""

    def handler(number: int, _frame: object) -> None:
        name = signal.Signals(number).name
        if name == "SIGHUP":
            log.info("the config is read again on SIGHUP")
            reread.set()
        else:
            log.info("stopping on %s", name)
            stop.set()

    for name in ("SIGTERM", "SIGINT", "SIGHUP"):
        if hasattr(signal, name):  # Windows has no SIGHUP
            signal.signal(getattr(signal, name), handler)
