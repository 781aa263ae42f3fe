"""Log lines for machines and people: one JSON object a line, without secrets and without addresses in clear.

Cleaning happens last, on the finished line, so that a text from a mail server or a traceback passes through it too.
"""

from __future__ import annotations

import hashlib
import json
import logging
import re
import sys
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import TYPE_CHECKING, TextIO

from gonogo.records.foreign_text import SHORTEST_SECRET, readable, without_secrets

if TYPE_CHECKING:
    from gonogo.config import Config

FIELDS = ("site", "day", "edition", "run")  # given as `extra` of a log call
_ADDRESS = re.compile(r"[\w.!#$%&'*+/=?^`{|}~-]+@[\w-]+(?:\.[\w-]+)+")
_LOGIN_IN_URL = re.compile(r"(\w+://[^\s:/@]*):[^\s@/]+@")


def secrets_of(config: Config) -> tuple[str, ...]:
    """Return every secret that a config holds, to be kept out of the log."""
    found = [config.transport.password, config.watch.ping_url, *(service.key for service in config.services)]
    found += [config.inbox.key, config.inbox.password] if config.inbox is not None else []
    return tuple(s for s in found if s and len(s) >= SHORTEST_SECRET)


class Cleaner:
    """Takes secrets and addresses out of a text. An address leaves a mark, so that its lines can be told apart."""

    def __init__(self, secrets: Iterable[str] = ()) -> None:
        self.secrets = tuple(sorted(secrets, key=len, reverse=True))

    def __call__(self, text: str) -> str:
        text = readable(without_secrets(text, self.secrets), keep="\n\t")
        return _ADDRESS.sub(_marked, _LOGIN_IN_URL.sub(r"\1:(not shown)@", text))


class CleanFormatter(logging.Formatter):
    """A line for people, cleaned: of which site and day it speaks stands at its end."""

    def __init__(self, cleaner: Cleaner) -> None:
        super().__init__("%(asctime)s %(levelname)s %(name)s %(message)s")
        self.cleaner = cleaner

    def formatMessage(self, record: logging.LogRecord) -> str:  # the library's name
        told = ", ".join(f"{name} {getattr(record, name)}" for name in FIELDS if hasattr(record, name))
        return super().formatMessage(record) + (f" ({told})" if told else "")

    def format(self, record: logging.LogRecord) -> str:
        return self.cleaner(super().format(record))


class JsonFormatter(logging.Formatter):
    """A line for machines: at, level, part, text, fault (a traceback), and the fields of FIELDS that the call gave."""

    def __init__(self, cleaner: Cleaner) -> None:
        super().__init__()
        self.cleaner = cleaner

    def format(self, record: logging.LogRecord) -> str:
        line: dict[str, str] = {
            "at": datetime.fromtimestamp(record.created, tz=UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "part": record.name,
            "text": self.cleaner(record.getMessage()),
        }
        line |= {name: self.cleaner(str(getattr(record, name))) for name in FIELDS if hasattr(record, name)}
        if record.exc_info:
            line["fault"] = self.cleaner(self.formatException(record.exc_info))
        return json.dumps(line, ensure_ascii=False)


def set_up(*, level: int, as_json: bool, cleaner: Cleaner) -> None:
    """Send every log line to stderr, cleaned."""
    root = logging.getLogger()
    for old in [handler for handler in root.handlers if isinstance(handler, _ToStderr)]:
        root.removeHandler(old)
    handler = _ToStderr()
    handler.setFormatter(JsonFormatter(cleaner) if as_json else CleanFormatter(cleaner))
    root.addHandler(handler)
    root.setLevel(level)
    # Of a job that is left out the schedule tells in words of its own (schedule.py).
    for chatty, least in (("apscheduler", logging.ERROR), ("alembic", logging.WARNING)):
        logging.getLogger(chatty).setLevel(max(level, least))


def in_force() -> tuple[int, bool]:
    """Return at which level lines are written, and whether as JSON: what set_up was told, for another process."""
    root = logging.getLogger()
    as_json = any(isinstance(h, _ToStderr) and isinstance(h.formatter, JsonFormatter) for h in root.handlers)
    return root.level, as_json


class _ToStderr(logging.StreamHandler[TextIO]):
    """Writes to what is stderr when a line comes, which need not be what it was at the start."""

    def emit(self, record: logging.LogRecord) -> None:
        self.stream = sys.stderr
        super().emit(record)


def _marked(found: re.Match[str]) -> str:
    return f"(address {hashlib.sha256(found[0].lower().encode()).hexdigest()[:6]})"
