"""What a monitor and an operator ask: how the last runs went, which mails wait or failed, what comes next."""

from __future__ import annotations

from datetime import datetime

from gonogo.cli.outcome import Exit, Outcome
from gonogo.config import Config
from gonogo.service.site_state import silence, site_state
from gonogo.store import schema
from gonogo.store.open import open_store


def status(config: Config, *, now_utc: datetime) -> Outcome:
    """Say how each site's last run went, what became of the mails, and what comes next."""
    store = open_store(config)
    try:
        with schema.read(store) as connection:
            states = [site_state(connection, config, site, now_utc) for site in config.sites]
    finally:
        store.dispose()
    lines = [line for state in states for line in state.lines]
    silent = silence(config, now_utc)
    lines += [f"SERVICE      {silent}"] if silent else []
    needs_attention = bool(silent) or any(state.faults for state in states)
    lines.append("Somebody must look." if needs_attention else "All well.")
    return Outcome(text="\n".join(lines), exit_code=Exit.ATTENTION if needs_attention else Exit.OK)
