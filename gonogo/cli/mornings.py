"""What `gonogo morning` does: runs or shows the mornings of sites, and returns its text and exit code."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import partial
from pathlib import Path

import sqlalchemy as sa

from gonogo import times
from gonogo.cli import many_mornings
from gonogo.cli.outcome import CommandOutcome, Exit
from gonogo.config import Config
from gonogo.decide import conclusion as decide_conclusion
from gonogo.download.forecasts import Downloaded, Fetch, from_stored, second_from_stored
from gonogo.download.rounds import Rounds
from gonogo.errors import GonogoError
from gonogo.morning import compute, previous
from gonogo.morning import run as morning_run
from gonogo.outgoing import delivery, mails, notices, operator_digest
from gonogo.outgoing.envelope import plain_text
from gonogo.outgoing.folder import Folder
from gonogo.outgoing.frame import RunFrame
from gonogo.outgoing.rounds import DeliveryReport, delivery_line, together
from gonogo.page.screen import verdicts
from gonogo.records.outside import Answer, Transport
from gonogo.records.site import Site
from gonogo.service import clock, due
from gonogo.service.due import lead_min
from gonogo.service.site_process import Made
from gonogo.service.site_processes import n_wanted
from gonogo.store import claims, owner
from gonogo.store.open import open_store
from gonogo.store.patience import patiently
from gonogo.store.queued import Envelope
from gonogo.wording.language import Speaker, speaker

REMADE_AFTER = timedelta(hours=1)  # a morning so long past is made again from what was known then
KNOWN_THEN = timedelta(hours=24)  # as long as an answer of at most that age was stored


@dataclass(frozen=True, slots=True, kw_only=True)
class MorningRequest:
    """Which mornings are asked for, and whether they are run or only shown.

    on       another date, or moment, to show; such a morning is never stored and never sent
    folder   where shown mails are written, None for the text itself
    n_workers   processes that run them, None = as the number of sites and cores calls for; what is shown needs none
    speak    what the table of a shown morning is written in, None for English and metric units
    """

    sites: Sequence[Site]
    now_utc: datetime
    on: date | datetime | None = None
    dry_run: bool = False
    folder: Path | None = None
    n_workers: int | None = None
    speak: Speaker | None = None


def mornings(
    config: Config,
    asked: MorningRequest,
    *,
    say: Callable[[str], None],
    tell: Callable[[str], None],
    fetch: Fetch | None = None,
) -> CommandOutcome:
    """Run the morning of each site now and deliver its mails, or show them; return what is to be said at the end.

    say      told which site is at work
    tell     told what came of each site as soon as it ended, so that nothing is kept of those that are done
    fetch    asks the weather services; those of the config when None
    """
    rounds = Rounds(config, clock_utc=clock.clock_utc, together=lambda _: asked.sites)
    ask, second = (rounds.fetch, rounds.second) if fetch is None else (fetch, None)
    store = patiently(partial(open_store, config))
    try:
        if asked.dry_run or asked.on is not None:
            frames = [replace(_shown_frame(config, site, asked, store, ask), second=second) for site in asked.sites]
            frames = [_as_known_then(frame, asked.now_utc) for frame in frames]
            return _shown(frames, asked, say=say, tell=tell)
        me = owner.own_name()
        frames = [replace(_frame(config, site, asked.now_utc, store, ask, me), second=second) for site in asked.sites]
        n_processes = 0 if fetch is not None else n_wanted(asked.n_workers, len(frames))
        return _run(frames, n_processes, say=say, tell=tell)
    finally:
        store.dispose()


def _run(
    frames: Sequence[RunFrame], n_processes: int, *, say: Callable[[str], None], tell: Callable[[str], None]
) -> CommandOutcome:
    """Run, store, deliver."""
    code, config, store, me = Exit.OK, frames[0].config, frames[0].store, frames[0].owner
    patiently(partial(claims.release_dead, store, now_utc=frames[0].now_utc, is_dead=owner.is_dead))
    at_utc = clock.clock_utc()
    worker = delivery.Worker(
        store=store,
        transport=config.transport,
        now_utc=clock.clock_utc,
        owner=me,
        expired_fallback=notices.expired_fallback(config, at_utc),
        failed_fallback=notices.failed_fallback(config, at_utc),
    )
    with many_mornings.delivering(worker, is_wanted=n_processes > 0) as reports:
        for frame, made in many_mornings.made(frames, n_processes, say=say):
            if isinstance(made, GonogoError):
                tell(f"{frame.site.name}, {frame.day}: {made}")
                code = Exit.ATTENTION
            elif made is None:
                tell(
                    f"{frame.site.name}, {frame.day}: already run. "
                    "`gonogo status` says how it went; --dry-run shows it again."
                )
            else:
                tell(table(frame.site, frame.day, made))
                code = code if made.has_verdict or code == Exit.ATTENTION else Exit.NO_VERDICT
    report = together([*reports, patiently(partial(_last_round, worker, config))])
    text = delivery_line(report, config.transport)
    return CommandOutcome(text=text, exit_code=code if report.is_good else Exit.ATTENTION)


def _last_round(worker: delivery.Worker, config: Config) -> DeliveryReport:
    """Deliver what is left: nobody may be at work later, so mails to the operator do not wait for others."""
    operator_digest.put_together(worker.store, config, now_utc=worker.now_utc(), at_once=True)
    return worker.round()


def _frame(config: Config, site: Site, now_utc: datetime, store: sa.Engine, fetch: Fetch, me: str) -> RunFrame:
    """The frame of a morning that is run by hand now."""
    day = times.local_date(now_utc, site.zone)
    _, deadline_utc = due.run_window_utc(site, day, lead_min(config, site))
    return RunFrame(
        config=config,
        site=site,
        day=day,
        now_utc=now_utc,
        deadline_utc=morning_run.by_hand_deadline_utc(site, day, now_utc, deadline_utc),
        store=store,
        fetch=fetch,
        owner=me,
    )


def _shown_frame(config: Config, site: Site, asked: MorningRequest, store: sa.Engine, fetch: Fetch) -> RunFrame:
    """The frame of a morning that is only shown."""
    day, as_of_utc = asked_moment(site, asked.on, asked.now_utc)
    is_past = as_of_utc < asked.now_utc - REMADE_AFTER

    def fetch_as_of(its_site: Site, at_utc: datetime, stored: Sequence[Answer]) -> Downloaded:
        # A morning of the past is made again from what was known then: the services would answer for today.
        was_known = is_past and bool(stored) and as_of_utc - stored[0].fetched_utc < KNOWN_THEN
        return (from_stored if was_known else fetch)(its_site, at_utc, stored)

    return RunFrame(
        config=config,
        site=site,
        day=day,
        now_utc=as_of_utc,
        deadline_utc=due.run_window_utc(site, day, lead_min(config, site))[1],
        store=store,
        fetch=fetch_as_of,
        keeps=False,
    )


def _as_known_then(frame: RunFrame, now_utc: datetime) -> RunFrame:
    """The frame of a morning of the past, checked against what was stored then; of another as it is."""
    if frame.second is None or frame.now_utc >= now_utc - REMADE_AFTER:
        return frame
    return replace(frame, second=second_from_stored)


def _shown(
    frames: Sequence[RunFrame], asked: MorningRequest, *, say: Callable[[str], None], tell: Callable[[str], None]
) -> CommandOutcome:
    """Make the mails and show them; nothing is stored or sent."""
    folder = asked.folder
    lines: list[str] = []
    shown: list[Envelope] = []
    code = Exit.OK
    for frame in frames:
        say(frame.site.name)
        stored = previous.load(frame)
        conclusion = compute.conclude(frame, stored)
        prepared, faults = mails.mails(frame, conclusion, before=stored.previous.days_before)
        tell(table(frame.site, frame.day, conclusion, asked.speak))
        if not conclusion.has_verdict or faults:
            code = Exit.NO_VERDICT
        if folder is not None:
            shown += prepared
        else:
            for envelope in prepared:
                tell(_as_text(envelope))
    if folder is not None:
        sender = frames[0].config.transport.sender
        with Folder(Transport(kind="folder", sender=sender, folder=folder)) as opened:
            for envelope in shown:
                opened.deliver(envelope)
        lines.append(f"{len(shown)} mails written to {folder}; open {folder / 'index.html'}.")
    lines.append("Shown only: nothing was stored and nothing was sent.")
    return CommandOutcome(text="\n\n".join(lines), exit_code=code)


def _as_text(envelope: Envelope) -> str:
    to = f"To: {envelope.name} <{envelope.address}> ({envelope.role})"
    return f"{'=' * 78}\n{to}\nSubject: {envelope.subject}\n\n{plain_text(envelope)}"


def asked_moment(site: Site, on: date | datetime | None, now_utc: datetime) -> tuple[date, datetime]:
    """Return the local date that is wanted and the moment from which it is looked at.

    A date to come is judged from what is known now; a past one from its own mail time; a date with a time from then.
    """
    if on is None:
        return times.local_date(now_utc, site.zone), now_utc
    if isinstance(on, datetime):
        at = on if on.tzinfo else on.replace(tzinfo=site.zone)
        return at.astimezone(site.zone).date(), at.astimezone(now_utc.tzinfo)
    return on, min(now_utc, times.moment_utc(on, site.mail_at, site.zone))


def table(site: Site, day: date, conclusion: decide_conclusion.Conclusion | Made, speak: Speaker | None = None) -> str:
    """Return the verdicts of a site as lines for a terminal; in English and metric units where nothing is asked."""
    rows = [f"{site.name}, {day:%a} {day}"]
    if conclusion.reason:
        rows.append(f"  NO VERDICT: {conclusion.reason} Decide on site with a test.")
    rows.append(verdicts(site, day, conclusion.decisions, speak or speaker("en", "metric")))
    rows += [f"  note: {fault}" for fault in conclusion.faults]
    return "\n".join(rows)
