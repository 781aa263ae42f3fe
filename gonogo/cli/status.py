"""What a monitor and an operator ask: how the last runs went, which mails wait or failed, what comes next."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

from gonogo.cli.outcome import Exit, Outcome
from gonogo.config import Config
from gonogo.service.site_state import silence, site_state
from gonogo.store import replies, schema
from gonogo.store.open import open_store
from gonogo.store.replies import Poll

BOUNCES_SHOWN = timedelta(days=7)
READ_LATE = timedelta(minutes=15)  # a mailbox that was not read for so long is a fault


def status(config: Config, *, now_utc: datetime) -> Outcome:
    """Say how each site's last run went, what became of the mails, and what comes next."""
    store = open_store(config)
    try:
        with schema.read(store) as connection:
            states = [site_state(connection, config, site, now_utc) for site in config.sites]
            poll = replies.last_poll(connection)
            bounced = replies.bounced(connection, since_utc=now_utc - BOUNCES_SHOWN)
    finally:
        store.dispose()
    lines = [line for state in states for line in state.lines]
    inbox_lines, inbox_fault = _inbox(config, poll, bounced, now_utc)
    lines += inbox_lines
    silent = silence(config, now_utc)
    lines += [f"SERVICE      {silent}"] if silent else []
    needs_attention = bool(silent) or inbox_fault or any(state.faults for state in states)
    lines.append("Somebody must look." if needs_attention else "All well.")
    return Outcome(text="\n".join(lines), exit_code=Exit.ATTENTION if needs_attention else Exit.OK)


def _inbox(
    config: Config, poll: Poll | None, bounced: Mapping[str, datetime], now_utc: datetime
) -> tuple[list[str], bool]:
    """Return how it stands with answers by mail, and whether somebody must look; nothing where none are read."""
    if config.inbox is None:
        return [], False
    lines = [f"  {at_utc:%Y-%m-%d %H:%M} UTC: a mail to {address} came back" for address, at_utc in bounced.items()]
    good_utc = poll.good_utc if poll is not None else None
    last = f"last read {good_utc:%Y-%m-%d %H:%M} UTC" if good_utc is not None else "never read yet"
    is_late = good_utc is None or now_utc - good_utc > READ_LATE
    fault = f"; {poll.fault}" if poll is not None and poll.fault else ""
    lines.insert(0, f"{'INBOX' if is_late else 'inbox'}        {last}{fault}")
    return lines, is_late or bool(bounced)
