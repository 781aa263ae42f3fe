"""What a monitor and an operator ask: how the last runs went, which mails wait or failed, what comes next."""

from __future__ import annotations

from datetime import datetime

from gonogo.cli.outcome import Exit, Outcome
from gonogo.config import Config
from gonogo.service.site_state import silence, site_state
from gonogo.store import schema
from gonogo.store.open import open_store
from gonogo.wording.language import Speaker


def status(config: Config, *, now_utc: datetime, speak: Speaker) -> Outcome:
    """Say how each site's last run went, what became of the mails, and what comes next."""
    store = open_store(config)
    try:
        with schema.read(store) as connection:
            states = [site_state(connection, config, site, now_utc) for site in config.sites]
    finally:
        store.dispose()
    silent = silence(config, now_utc)
    shown = {state.site_id: [(_label(key, speak), speak.say(said)) for key, said in state.lines] for state in states}
    of_service = [(_label("service", speak), speak.say(silent))] if silent is not None else []
    width = max(len(label) for rows in (*shown.values(), of_service) for label, _ in rows) + 2
    lines = []
    for site in config.sites:
        lines.append(f"{site.name} ({site.id})")
        lines += [f"  {label:<{width}}{said}" for label, said in shown[site.id]]
    lines += [f"{label:<{width + 2}}{said}" for label, said in of_service]
    needs_attention = silent is not None or any(state.faults for state in states)
    lines.append(speak.word("status.look" if needs_attention else "status.well"))
    return Outcome(text="\n".join(lines), exit_code=Exit.ATTENTION if needs_attention else Exit.OK)


def _label(key: str, speak: Speaker) -> str:
    """Return the label of a line; that of a mail that has not gone is in capitals, as whatever somebody must see."""
    said = speak.word(f"status.{key}")
    return said.upper() if key.startswith("is_") else said
