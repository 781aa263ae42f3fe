"""What a monitor and an operator ask: how the last runs went, which mails wait or failed, what comes next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from gonogo import times
from gonogo.cli.outcome import CommandOutcome, Exit
from gonogo.config import Config
from gonogo.download import grid_files
from gonogo.service import alive
from gonogo.service.site_state import SiteState, silence, site_state
from gonogo.store import replies, schema
from gonogo.store.open import open_store
from gonogo.store.replies import Poll
from gonogo.weather.grid.sources import DEFAULT_SOURCE, OLDEST_RUN, SERVICE, SOURCES
from gonogo.wording import phrases
from gonogo.wording.language import Speaker
from gonogo.wording.phrases import Gap, Phrase, phrase

BOUNCES_SHOWN = timedelta(days=7)
READ_LATE = timedelta(minutes=15)  # a mailbox that was not read for so long is a fault


def status(config: Config, *, now_utc: datetime, speak: Speaker) -> CommandOutcome:
    """Say how each site's last run went, what became of the mails, and what comes next."""
    store = open_store(config)
    try:
        with schema.read(store) as connection:
            states = [site_state(connection, config, site, now_utc) for site in config.sites]
            poll = replies.last_poll(connection)
            bounced = replies.bounced(connection, since_utc=now_utc - BOUNCES_SHOWN)
    finally:
        store.dispose()
    silent = silence(config, now_utc)
    shown = {state.site_id: [(_label(key, speak), speak.say(text)) for key, text in state.lines] for state in states}
    sender, sender_fault = _sender(config, states, now_utc)
    inbox, inbox_fault = _inbox(config, poll, bounced, now_utc)
    model_run, run_fault = _model_run(config, now_utc)
    around = [*model_run, *sender, *(("inbox", text) for text in inbox)]
    around += [("service", silent)] if silent is not None else []
    of_service = [(_label(key, speak), speak.say(text)) for key, text in around]
    width = max(len(label) for rows in (*shown.values(), of_service) for label, _ in rows) + 2
    lines = []
    for site in config.sites:
        lines.append(f"{site.name} ({site.id})")
        lines += [f"  {label:<{width}}{text}" for label, text in shown[site.id]]
    lines += [f"{label:<{width + 2}}{text}" for label, text in of_service]
    needs_attention = silent is not None or inbox_fault or sender_fault or run_fault
    needs_attention = needs_attention or any(state.faults for state in states)
    lines.append(speak.word("status.look" if needs_attention else "status.well"))
    return CommandOutcome(text="\n".join(lines), exit_code=Exit.ATTENTION if needs_attention else Exit.OK)


def _sender(config: Config, states: Sequence[SiteState], now_utc: datetime) -> tuple[list[tuple[str, Phrase]], bool]:
    """Return who sends the mails that wait, and whether somebody must look; nothing where none wait."""
    if not any(state.mails.get("waiting") or state.mails.get("leased") for state in states):
        return [], False
    at_work = alive.seen(config, now_utc=now_utc)
    if at_work is not None:
        return [("sends", phrase("status.sent_by", process=at_work.process, utc=_utc(at_work.at_utc)))], False
    if config.store_url.startswith("sqlite"):
        return [("sends", phrase("status.sent_by_nobody"))], True
    return [("sends", phrase("status.sent_elsewhere"))], False


def _model_run(config: Config, now_utc: datetime) -> tuple[list[tuple[str, Phrase]], bool]:
    """Return how old the newest whole model run is, and whether somebody must look; nothing where none are read."""
    settings = next((service for service in config.services if service.name == SERVICE), None)
    if settings is None or settings.folder is None:
        return [], False
    source = SOURCES[settings.source or DEFAULT_SOURCE]
    runs = grid_files.runs(settings.folder, source, settings.days)
    long = (run for run in runs if not source.falls_short(run.run_utc, settings.days))
    run = next(filter(grid_files.is_whole, long), None)
    if run is None:
        text = phrase("status.no_whole_run", source=source.title, path=str(settings.folder / source.name))
        return [("model_run", text)], True
    age = now_utc - run.run_utc
    own: dict[str, Gap] = {"source": source.title, "utc": f"{run.run_utc:%Y-%m-%d %H}"}
    is_stale = age > OLDEST_RUN
    key = "status.run_is_stale" if is_stale else "status.run_is"
    return [("model_run", phrase(key, age=phrases.duration(age / times.HOUR), **own))], is_stale


def _label(key: str, speak: Speaker) -> str:
    """Return the label of a line; that of a mail that has not gone is in capitals, as whatever somebody must see."""
    text = speak.word(f"status.{key}")
    return text.upper() if key.startswith("is_") else text


def _inbox(
    config: Config, poll: Poll | None, bounced: Mapping[str, datetime], now_utc: datetime
) -> tuple[list[Phrase], bool]:
    """Return how it stands with answers by mail, and whether somebody must look; nothing where none are read."""
    if config.inbox is None:
        return [], False
    good_utc = poll.good_utc if poll is not None else None
    is_late = good_utc is None or now_utc - good_utc > READ_LATE
    last = phrase("status.never_read") if good_utc is None else phrase("status.last_read", utc=_utc(good_utc))
    lines = [last]
    lines += [phrase("status.read_fault", why=poll.fault)] if poll is not None and poll.fault else []
    lines += [phrase("status.came_back", address=who, utc=_utc(at_utc)) for who, at_utc in bounced.items()]
    return lines, is_late or bool(bounced)


def _utc(at_utc: datetime) -> str:
    return f"{at_utc:%Y-%m-%d %H:%M}"
