"""Whether a service is at work on this machine: a mark beside the database that a service rewrites every minute.

The health file is for monitors, and only where the config wants one; this mark is gonogo's own, so that
`gonogo status` can say who sends what waits.
"""

from __future__ import annotations

import json
import logging
import os
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from gonogo.config import Config
from gonogo.service import last_good
from gonogo.store import owner

log = logging.getLogger("gonogo.service.alive")

FILE = ".gonogo-alive.json"
WRITTEN_EVERY = timedelta(minutes=1)
SILENT_AFTER = timedelta(minutes=5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Alive:
    """A service at work. owner: its process, as the database names it."""

    at_utc: datetime
    owner: str

    @property
    def process(self) -> str:
        """The process as a person looks for it: number and machine."""
        parts = self.owner.rsplit(":", 4)
        return f"{parts[2]} ({parts[0]})" if len(parts) == 5 else self.owner


def place(config: Config) -> Path:
    """Return where the mark of a config's service stands."""
    return last_good.place(config).with_name(FILE)


def note(config: Config, name: str, *, now_utc: datetime) -> None:
    """Mark that the service of this name is at work. Raises OSError."""
    path = place(config)
    part = path.with_name(f"{FILE}.{os.getpid()}.part")
    try:
        with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w", encoding="utf-8") as file:
            json.dump({"at_utc": now_utc.isoformat(), "owner": name}, file)
        part.replace(path)
    except OSError:
        part.unlink(missing_ok=True)
        raise


class Mark:
    """The mark of one process: rewritten every minute; a failure to write is logged once."""

    def __init__(self) -> None:
        self._written_utc: datetime | None = None

    def write(self, config: Config, name: str, *, now_utc: datetime) -> None:
        """Mark that the service of this name is at work, where that is due again."""
        if self._written_utc is not None and abs(now_utc - self._written_utc) < WRITTEN_EVERY:
            return
        try:
            note(config, name, now_utc=now_utc)
        except OSError as error:
            if self._written_utc is None:
                log.error("the mark beside the database could not be written: %s", error.strerror)
        self._written_utc = now_utc


def seen(config: Config, *, now_utc: datetime) -> Alive | None:
    """Return the service that is at work on this machine, None where none is known to be."""
    try:
        found = json.loads(place(config).read_text(encoding="utf-8"))
        alive = Alive(at_utc=datetime.fromisoformat(found["at_utc"]), owner=str(found["owner"]))
        is_silent = abs(now_utc - alive.at_utc) > SILENT_AFTER
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return None if is_silent or owner.is_dead(alive.owner) else alive
