"""What `gonogo outlook` shows: strips by days, order of work and changes, on the screen or as a page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import sqlalchemy as sa

from gonogo import times
from gonogo.cli.outcome import CommandOutcome, Exit
from gonogo.config import Config
from gonogo.decide.conclusion import Conclusion
from gonogo.download.forecasts import Fetch, from_stored, second_from_stored
from gonogo.download.rounds import Rounds
from gonogo.errors import GonogoError
from gonogo.morning import compute, previous
from gonogo.outgoing.frame import RunFrame
from gonogo.page.outlook import page
from gonogo.page.screen import screen
from gonogo.page.switches import switched
from gonogo.page.view import Outlook, build
from gonogo.records.field import Entry
from gonogo.records.site import Site
from gonogo.service.clock import clock_utc
from gonogo.store.open import open_store
from gonogo.wording.language import Speaker, speaker


@dataclass(frozen=True, slots=True, kw_only=True)
class LookAhead:
    """What a look ahead comes to; nothing of it is stored but the answer of the weather service."""

    conclusion: Conclusion
    entries: tuple[Entry, ...]


def look_ahead_frame(
    config: Config, site: Site, *, now_utc: datetime, store: sa.Engine, only_stored: bool, fetch: Fetch | None
) -> RunFrame:
    """Return the frame in which `gonogo morning --dry-run` would judge a site now, so that both say the same."""
    rounds = Rounds(config, clock_utc=clock_utc)
    second = second_from_stored if only_stored else rounds.second if fetch is None else None
    return RunFrame(
        config=config,
        site=site,
        day=times.local_date(now_utc, site.zone),
        now_utc=now_utc,
        deadline_utc=now_utc,
        store=store,
        fetch=from_stored if only_stored else fetch or rounds.fetch,
        second=second,
        keeps=not only_stored,
    )


def look_ahead(
    config: Config, site: Site, *, now_utc: datetime, only_stored: bool, fetch: Fetch | None = None
) -> LookAhead:
    """Judge a site as a morning would, now. only_stored: ask no service, use the newest stored answer."""
    store = open_store(config)
    try:
        frame = look_ahead_frame(config, site, now_utc=now_utc, store=store, only_stored=only_stored, fetch=fetch)
        stored = previous.load(frame)
        conclusion = compute.conclude(frame, stored)
    finally:
        store.dispose()
    return LookAhead(conclusion=conclusion, entries=stored.entries)


def show(
    config: Config,
    site: Site,
    *,
    now_utc: datetime,
    speak: Speaker,
    html: Path | None = None,
    only_stored: bool = False,
    fetch: Fetch | None = None,
) -> CommandOutcome:
    """Return the outlook of a site as text in a language; with html, write the page there too and say where."""
    ahead = look_ahead(config, site, now_utc=now_utc, only_stored=only_stored, fetch=fetch)
    conclusion = ahead.conclusion
    if conclusion.judgement is None or not conclusion.has_verdict:
        reasons = "\n".join(f"  {fault}" for fault in conclusion.faults)
        reason = conclusion.reason or "The forecast is too old to be relied on."
        return CommandOutcome(text=f"{site.name}: no outlook. {reason}\n{reasons}".rstrip(), exit_code=Exit.NO_VERDICT)
    data = outlook_of(conclusion, ahead.entries)
    lines = [screen(build(data), speak)]
    lines += ["\n".join(f"note: {fault}" for fault in conclusion.faults)] if conclusion.faults else []
    if html is not None:
        write_page(html, data, speak)
        lines.append(f"Page written to {html}; it is complete in itself and prints on A4 and Letter.")
    return CommandOutcome(text="\n\n".join(lines), exit_code=Exit.OK)


def outlook_of(conclusion: Conclusion, entries: Sequence[Entry]) -> Outlook:
    """Return what an outlook is made from, of a run that came to a verdict."""
    assert conclusion.judgement is not None, "only a conclusion with a verdict has an outlook"
    return Outlook(
        inputs=conclusion.judgement.inputs,
        decisions=conclusion.decisions,
        outlook=conclusion.outlook,
        order=conclusion.order,
        changes=conclusion.changes,
        entries=tuple(entries),
        plan=conclusion.plan,
    )


def write_page(path: Path, data: Outlook, speak: Speaker) -> None:
    """Write the page of an outlook: first as requested, with switches to the site's other readers.

    Raises GonogoError where it cannot be written.
    """
    site = data.inputs.site
    read = [person.language for crew in site.crews for person in crew.recipients]
    languages = dict.fromkeys((speak.words.language, *read))
    systems = dict.fromkeys((speak.unit_system, "metric", "us"))
    speakers = {(language, units): speaker(language, units) for language in languages for units in systems}
    pages = {reader: page(data, their_speaker) for reader, their_speaker in speakers.items()}
    names = {language: speaker(language, "metric").words.name for language in languages}
    try:
        path.write_text(switched(pages, names), encoding="utf-8")
    except OSError as error:
        raise GonogoError(f"{path} cannot be written: {error.strerror}. Name another file with --html.") from error
