"""What `gonogo morning` does: runs or shows the mornings of sites, and returns its text and exit code."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from datetime import date, datetime, timedelta
from pathlib import Path

import sqlalchemy as sa

from gonogo import times
from gonogo.cli.outcome import Exit, Outcome
from gonogo.config import Config
from gonogo.decide import conclusion as decide_conclusion
from gonogo.download import forecasts
from gonogo.download.forecasts import Downloaded, Fetch
from gonogo.download.rounds import Rounds
from gonogo.morning import compute, previous
from gonogo.morning import run as morning_run
from gonogo.outgoing import delivery, mails, notices
from gonogo.outgoing.delivery import delivery_line
from gonogo.outgoing.envelope import Letter
from gonogo.outgoing.folder import Folder
from gonogo.records.outside import Answer, Transport
from gonogo.records.site import Site
from gonogo.records.verdict import Verdict
from gonogo.service import clock, due
from gonogo.service.due import lead_min
from gonogo.store import learned, owner, runs, schema
from gonogo.store.open import open_store


def mornings(
    config: Config,
    sites: Sequence[Site],
    *,
    now_utc: datetime,
    on: date | datetime | None,
    dry_run: bool,
    folder: Path | None,
    say: Callable[[str], None],
    fetch: Fetch | None = None,
) -> Outcome:
    """Run the morning of each site now and deliver its mails, or show them.

    on       another date, or moment, to show; such a morning is never stored and never sent
    folder   where shown mails are written, None for the text itself
    fetch    asks the weather services; those of the config when None
    """
    ask = fetch or Rounds(config, clock_utc=clock.clock_utc, together=lambda _: sites).fetch
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
    fetch: Fetch,
) -> Outcome:
    """Run, store, deliver."""
    lines: list[str] = []
    code, me = Exit.OK, owner.own_name()
    runs.release_dead(store, now_utc=now_utc, is_dead=owner.is_dead)
    for site in sites:
        say(site.name)
        day = times.local_date(now_utc, site.zone)
        _, deadline = due.run_window_utc(site, day, lead_min(config, site))
        result = morning_run.run_morning(
            config,
            site,
            store=store,
            day=day,
            now_utc=now_utc,
            deadline_utc=morning_run.by_hand_deadline_utc(site, day, now_utc, deadline),
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
            code = Exit.NO_VERDICT
    at_utc = clock.clock_utc()
    report = delivery.work(
        store,
        config.transport,
        now_utc=clock.clock_utc,
        owner=me,
        rng=random.Random(),
        memory=delivery.Memory(),
        expired_instead=notices.expired_instead(config, at_utc),
        failed_instead=notices.failed_instead(config, at_utc),
    )
    lines.append(delivery_line(report, config.transport))
    return Outcome(text="\n\n".join(lines), exit_code=code if report.is_good else Exit.ATTENTION)


def _shown(
    config: Config,
    sites: Sequence[Site],
    store: sa.Engine,
    *,
    now_utc: datetime,
    on: date | datetime | None,
    folder: Path | None,
    say: Callable[[str], None],
    fetch: Fetch,
) -> Outcome:
    """Make the mails and show them; nothing is stored or sent."""
    lines: list[str] = []
    letters: list[Letter] = []
    code = Exit.OK
    for site in sites:
        say(site.name)
        day, as_of = asked_moment(site, on, now_utc)
        with schema.read(store) as connection:
            entries, answers = previous.load(connection, config, site, as_of)
            before = previous.told(connection, site, before_day=day)
            earlier = previous.earlier(connection, site, day)
            stored_soil = learned.rows(connection, site.id, until_utc=as_of)
        ask = fetch
        if as_of < now_utc - timedelta(hours=1) and answers and as_of - answers[0].fetched_utc < timedelta(hours=24):
            # A morning of the past is made again from what was known then: the services would answer for today.
            def ask(site: Site, at_utc: datetime, stored: Sequence[Answer]) -> Downloaded:
                return forecasts.forecast(site, (), now_utc=at_utc, stored=stored)

        conclusion = compute.conclude(
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
        prepared, faults = mails.mails(config, site, conclusion, day=day, issue="morning", now_utc=as_of, before=before)
        lines.append(table(site, day, conclusion))
        if not conclusion.has_verdict or faults:
            code = Exit.NO_VERDICT
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


def table(site: Site, day: date, conclusion: decide_conclusion.Conclusion) -> str:
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
