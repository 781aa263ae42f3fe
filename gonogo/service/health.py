"""The health file: how the service stands, for monitors, written whole or not at all."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from gonogo import __version__
from gonogo.config import Config
from gonogo.service.logs import Cleaner
from gonogo.service.site_state import SiteState, site_state
from gonogo.store import schema
from gonogo.wording.language import speaker

LOOKED_FOR_S = 2.0  # of the 20 s between two checks of the watch
FAULTY_SOONER = timedelta(minutes=10)
NEVER_UTC = datetime.min.replace(year=2, tzinfo=UTC)


class States:
    """How each site stands, as it was looked at last: of many sites some at a time, so that no check takes long.

    Looked at first are sites that were never looked at and those whose run has ended, then those that wait longest;
    one with a fault waits less.
    """

    def __init__(self) -> None:
        self._known: dict[str, tuple[datetime, SiteState]] = {}
        self.n_unknown = 0

    def look(self, store: sa.Engine, config: Config, ended: set[str], *, now_utc: datetime) -> None:
        """Look at sites for LOOKED_FOR_S. Raises StoreError.

        ended   ids of sites whose run has ended; those that were looked at are taken out
        """
        ids = {site.id for site in config.sites}
        self._known = {site_id: known for site_id, known in self._known.items() if site_id in ids}
        end = time.monotonic() + LOOKED_FOR_S
        with schema.read(store) as connection:
            for site in sorted(config.sites, key=lambda site: self._rank(site.id, ended)):
                ended.discard(site.id)
                self._known[site.id] = (now_utc, site_state(connection, config, site, now_utc))
                if time.monotonic() >= end:
                    break
        self.n_unknown = len(ids) - len(self._known)

    def _rank(self, site_id: str, ended: set[str]) -> tuple[bool, datetime]:
        looked_utc, state = self._known.get(site_id, (NEVER_UTC, None))
        return site_id not in ended, looked_utc - (FAULTY_SOONER if state is not None and state.faults else timedelta())

    def all(self) -> Iterable[tuple[datetime, SiteState]]:
        """Return each state with the moment at which it was looked at."""
        return self._known.values()


def snapshot(
    states: States, *, now_utc: datetime, config_faults: Sequence[str], store_fault: str = ""
) -> dict[str, Any]:
    """Return how the service stands: is_well, at_utc, and for each site its last and next run, mails and faults.

    store_fault   why the database takes nothing, though it can be read: a full disk, or a right that was taken away

    It holds neither names nor addresses. Where there are too many sites to look at all of them each time, looked_utc
    says from when the oldest state is, and n_not_looked_at how many have none yet.
    """
    speak = speaker("en", "metric")  # monitors read English
    known = list(states.all())
    return {
        "at_utc": now_utc.isoformat(),
        "looked_utc": min((at_utc for at_utc, _ in known), default=now_utc).isoformat(),
        "n_not_looked_at": states.n_unknown,
        "is_well": not (config_faults or store_fault) and not any(state.faults for _, state in known),
        "version": __version__,
        "process": os.getpid(),
        "config_faults": list(config_faults),
        **({"store_fault": store_fault} if store_fault else {}),
        "sites": {
            state.site_id: {
                "last_run_day": state.last_run_day.isoformat() if state.last_run_day else None,
                "next_run_utc": state.next_run_utc.isoformat() if state.next_run_utc else None,
                "mails": state.mails,
                "faults": [speak.say(fault) for fault in state.faults],
            }
            for _, state in known
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
