"""The health file: how the service stands, for monitors, written whole or not at all."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from gonogo import __version__
from gonogo.config import Config
from gonogo.service.logs import Cleaner
from gonogo.service.site_state import site_state
from gonogo.store import schema
from gonogo.wording.language import speaker


def snapshot(store: sa.Engine, config: Config, *, now_utc: datetime, config_faults: Sequence[str]) -> dict[str, Any]:
    """Return how the service stands: is_well, at_utc, and for each site its last and next run, mails and faults.

    It holds neither names nor addresses. Raises StoreError where the database cannot be read.
    """
    speak = speaker("en", "metric")  # monitors read English
    with schema.read(store) as connection:
        states = [site_state(connection, config, site, now_utc) for site in config.sites]
    return {
        "at_utc": now_utc.isoformat(),
        "is_well": not config_faults and not any(state.faults for state in states),
        "version": __version__,
        "process": os.getpid(),
        "config_faults": list(config_faults),
        "sites": {
            state.site_id: {
                "last_run_day": state.last_run_day.isoformat() if state.last_run_day else None,
                "next_run_utc": state.next_run_utc.isoformat() if state.next_run_utc else None,
                "mails": state.mails,
                "faults": [speak.say(fault) for fault in state.faults],
            }
            for state in states
        },
    }


def without_store(*, now_utc: datetime, fault: str) -> dict[str, Any]:
    """Return what can be said where the database cannot be read."""
    return {
        "at_utc": now_utc.isoformat(),
        "is_well": False,
        "version": __version__,
        "process": os.getpid(),
        "store_fault": fault,
    }


def write(path: Path, state: dict[str, Any], *, cleaner: Cleaner) -> None:
    """Write the file so that a reader finds the old one or the new one, never half of state. Raises OSError.

    cleaner   takes out what a mail server's words may carry
    """
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        part.write_text(cleaner(json.dumps(state, indent=1, ensure_ascii=False)) + "\n", encoding="utf-8")
        os.replace(part, path)
    except OSError:
        part.unlink(missing_ok=True)
        raise
