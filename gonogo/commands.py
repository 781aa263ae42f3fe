"""What the commands do, apart from reading arguments and printing: each returns its text and exit code."""

from __future__ import annotations

import random
import time
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path

import sqlalchemy as sa

from gonogo import delivery, mailing, morning, notices, planning, service, times
from gonogo.config import Config
from gonogo.post.folder import Folder
from gonogo.post.letter import Letter
from gonogo.records import Answer, Site, Transport, Verdict
from gonogo.store import learned, owner, runs, schema, upgrade
from gonogo.weather import download
from gonogo.weather.download import Downloaded
from gonogo.weather.web import Visits

OK, ATTENTION, NO_VERDICT = 0, 1, 3  # the same as cli.Exit
ROUND_ENDS_S = 1800.0  # a pause of so long ends a round of weather questions: what it remembered is forgotten
SPREAD_S = 90  # rounds of different firms are spread over so many seconds after the full hour


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a command has to say, and its exit code."""

    text: str
    exit_code: int


def open_store(config: Config) -> sa.Engine:
    """Return the database of a config, brought up to date. Raises StoreError."""
    store = schema.engine(config.store_url)
    upgrade.upgrade(store)
    return store


def fetcher(
    config: Config, together: Callable[[datetime], Sequence[Site]] = lambda _: (), *, is_scheduled: bool = False
) -> morning.Fetch:
    """Return what asks the weather services in the order of the config.

    together       sites that are asked for in the same round, at a moment: one question may bring several
    is_scheduled   a clock starts the rounds: then they keep off the full hour where a service asks for it
    """
    rounds: list[Visits] = []
    used_s = 0.0

    def fetch(site: Site, now_utc: datetime, stored: Sequence[Answer]) -> Downloaded:
        nonlocal used_s
        if not rounds or time.monotonic() - used_s > ROUND_ENDS_S:
            for old in rounds:
                old.session.close()
            spread_s = float(zlib.crc32(site.id.encode()) % SPREAD_S) if is_scheduled else None
            rounds[:] = [Visits(clock_utc=service.clock_utc, spread_s=spread_s)]
        used_s = time.monotonic()
        return download.forecast(
            site, config.services, now_utc=now_utc, stored=stored, together=together(now_utc), visits=rounds[0]
        )

    return fetch


# --- morning -------------------------------------------------------------------------------------------------


def mornings(
    config: Config,
    sites: Sequence[Site],
    *,
    now_utc: datetime,
    on: date | datetime | None,
    dry_run: bool,
    folder: Path | None,
    say: Callable[[str], None],
    fetch: morning.Fetch | None = None,
) -> Outcome:
    """Run the morning of each site now and deliver its mails, or show them.

    on       another date, or moment, to show; such a morning is never stored and never sent
    folder   where shown mails are written, None for the text itself
    fetch    asks the weather services; those of the config when None
    """
    ask = fetch or fetcher(config, lambda _: sites)
    store = open_store(config)
    try:
        if dry_run or on is not None:
            return _shown(config, sites, store, now_utc=now_utc, on=on, folder=folder, say=say, fetch=ask)
        return _run(config, sites, store, now_utc=now_utc, say=say, fetch=ask)
    finally:
        store.dispose()


def _run(
    config: Config,
    sites: Sequence[Site],
    store: sa.Engine,
    *,
    now_utc: datetime,
    say: Callable[[str], None],
    fetch: morning.Fetch,
) -> Outcome:
    """Run, store, deliver."""
    lines: list[str] = []
    code, me = OK, owner.own_name()
    runs.release_dead(store, now_utc=now_utc, is_dead=owner.is_dead)
    for site in sites:
        say(site.name)
        day = times.local_date(now_utc, site.zone)
        _, deadline = service.run_window_utc(site, day, lead_min(config, site))
        result = morning.run(
            config,
            site,
            store=store,
            day=day,
            now_utc=now_utc,
            deadline_utc=morning.by_hand_deadline_utc(site, day, now_utc, deadline),
            owner=me,
            fetch=fetch,
        )
        if result is None:
            lines.append(
                f"{site.name}, {day}: already run. `gonogo status` says how it went; --dry-run shows it again."
            )
            continue
        lines.append(table(site, day, result.conclusion))
        if not result.conclusion.has_verdict:
            code = NO_VERDICT
    at_utc = service.clock_utc()
    report = delivery.work(
        store,
        config.transport,
        now_utc=service.clock_utc,
        owner=me,
        rng=random.Random(),
        memory=delivery.Memory(),
        expired_instead=notices.expired_instead(config, at_utc),
        failed_instead=notices.failed_instead(config, at_utc),
    )
    lines.append(delivery_line(report, config.transport))
    return Outcome(text="\n\n".join(lines), exit_code=code if report.is_good else ATTENTION)


def _shown(
    config: Config,
    sites: Sequence[Site],
    store: sa.Engine,
    *,
    now_utc: datetime,
    on: date | datetime | None,
    folder: Path | None,
    say: Callable[[str], None],
    fetch: morning.Fetch,
) -> Outcome:
    """Make the mails and show them; nothing is stored or sent."""
    lines: list[str] = []
    letters: list[Letter] = []
    code = OK
    for site in sites:
        say(site.name)
        day, as_of = asked_moment(site, on, now_utc)
        with schema.read(store) as connection:
            entries, answers = morning.load(connection, config, site, as_of)
            before = morning.told_before(connection, site, day)
            earlier = planning.earlier(connection, site, day)
            stored_soil = learned.rows(connection, site.id, until_utc=as_of)
        ask = fetch
        if as_of < now_utc - timedelta(hours=1) and answers and as_of - answers[0].fetched_utc < timedelta(hours=24):
            # A morning of the past is made again from what was known then: the services would answer for today.
            def ask(site: Site, at_utc: datetime, stored: Sequence[Answer]) -> Downloaded:
                return download.forecast(site, (), now_utc=at_utc, stored=stored)

        conclusion = morning.conclude(
            config,
            site,
            day=day,
            issue="morning",
            now_utc=as_of,
            entries=entries,
            fetch=ask,
            stored=answers,
            earlier=earlier,
            stored_soil=stored_soil,
        )
        prepared, faults = mailing.mails(
            config, site, conclusion, day=day, issue="morning", now_utc=as_of, before=before
        )
        lines.append(table(site, day, conclusion))
        if not conclusion.has_verdict or faults:
            code = NO_VERDICT
        for one in prepared:
            letters.append(
                Letter(
                    message_id=one.message_id,
                    address=one.recipient.address,
                    raw=one.mail.raw,
                    site_id=site.id,
                    crew_id=one.crew.id,
                    kind="morning",
                    role=one.recipient.role,
                    name=one.recipient.name,
                )
            )
            if folder is None:
                to = f"To: {one.recipient.name} <{one.recipient.address}> ({one.recipient.role})"
                lines.append(f"{'=' * 78}\n{to}\nSubject: {one.mail.subject}\n\n{one.mail.text}")
    if folder is not None:
        with Folder(Transport(kind="folder", sender=config.transport.sender, folder=folder)) as post:
            for letter in letters:
                post.deliver(letter)
        lines.append(f"{len(letters)} mails written to {folder}; open {folder / 'index.html'}.")
    lines.append("Shown only: nothing was stored and nothing was sent.")
    return Outcome(text="\n\n".join(lines), exit_code=code)


def asked_moment(site: Site, on: date | datetime | None, now_utc: datetime) -> tuple[date, datetime]:
    """Return the local date that is asked for and the moment from which it is looked at.

    A date to come is judged from what is known now; a past one from its own mail time; a date with a time from then.
    """
    if on is None:
        return times.local_date(now_utc, site.zone), now_utc
    if isinstance(on, datetime):
        at = on if on.tzinfo else on.replace(tzinfo=site.zone)
        return at.astimezone(site.zone).date(), at.astimezone(now_utc.tzinfo)
    return on, min(now_utc, times.moment_utc(on, site.mail_at, site.zone))


def table(site: Site, day: date, conclusion: mailing.Conclusion) -> str:
    """Return the verdicts of a site as lines for a terminal."""
    rows = [f"{site.name}, {day:%a} {day}"]
    if conclusion.reason:
        rows.append(f"  NO VERDICT: {conclusion.reason} Decide on site with a test.")
    for decision in conclusion.decisions:
        name = site.strip(decision.strip_id).name
        when = ""
        if decision.from_utc and decision.until_utc:
            start, end = (t.astimezone(site.zone) for t in (decision.from_utc, decision.until_utc))
            when = f"{start:%H:%M}-{end:%H:%M}"
        litres = f"{decision.water.litres:8,.0f} L" if decision.verdict is Verdict.WATER and decision.water else ""
        reason = decision.reason.replace("_", " ")
        rows.append(f"  {name:<24.24} {decision.verdict.upper():<8} {when:<12} {litres:<12} {reason}".rstrip())
    rows += [f"  note: {fault}" for fault in conclusion.faults]
    return "\n".join(rows)


def delivery_line(report: delivery.DeliveryReport, transport: Transport) -> str:
    """Return what one round of delivery did, in a line or a few."""
    where = f"written to {transport.folder}" if transport.kind == "folder" else f"sent through {transport.host}"
    parts = [f"{len(report.sent)} mails {where}"]
    for name, what in (
        ("put_off", "put off, to be tried again"),
        ("refused", "refused for good"),
        ("expired", "too late"),
        ("set_aside", "set aside"),
    ):
        if n := len(getattr(report, name)):
            parts.append(f"{n} {what}")
    if report.server_fault:
        parts.append(f"mail server: {report.server_fault}")
    return "; ".join(parts) + "."


def lead_min(config: Config, site: Site) -> float:
    """Return how long before the mail time the run starts [min]."""
    return config.settings[site.id]["run_lead_min"]
