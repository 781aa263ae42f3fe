"""How a site's last morning went, for the status and the health file."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import sqlalchemy as sa

from gonogo import times
from gonogo.config import Config
from gonogo.records import shift
from gonogo.records.site import Site
from gonogo.records.verdict import Verdict
from gonogo.service import due
from gonogo.service.due import lead_min
from gonogo.store import outcomes, runs
from gonogo.wording.sentences import NO_VERDICT

SILENT_AFTER = timedelta(minutes=5)  # a service at work writes its health file every few seconds


SHOWN = {"set_aside": "dead letter"}  # states of mails that are stored under another name

LOOK_BACK = timedelta(days=3)  # mails older than this no longer matter to anybody


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteState:
    """How it stands with one site. lines: for a person; faults: what somebody must look at, a sentence each."""

    site_id: str
    lines: tuple[str, ...]
    faults: tuple[str, ...]
    last_run_day: date | None
    next_run_utc: datetime | None
    mails: dict[str, int]


def silence(config: Config, now_utc: datetime) -> str:
    """Return since when the service has been silent, "" where it is at work or its health file is not asked for."""
    path = config.watch.health_file
    if path is None:
        return ""
    try:
        written_utc = datetime.fromisoformat(json.loads(path.read_text(encoding="utf-8"))["at_utc"])
    except (OSError, ValueError, KeyError, TypeError):
        return f"no health file at {path}: start the service with `gonogo serve`"
    if abs(now_utc - written_utc) <= SILENT_AFTER:
        return ""
    if written_utc > now_utc:
        return (
            f"its health file is from the future ({written_utc:%Y-%m-%d %H:%M} UTC): the machine's clock was set. "
            "A service at work writes it anew within a minute"
        )
    return f"silent since {written_utc:%Y-%m-%d %H:%M} UTC: start it with `gonogo serve`, or see its log"


def has_own_verdict(connection: sa.Connection, run: runs.Run) -> bool:
    """Return whether a run came to a verdict, good or bad, or to a fault of ours that another try would not mend."""
    return bool(run.error) or bool({d.reason for d in runs.decisions(connection, run.id)} - NO_VERDICT)


def is_good_morning(connection: sa.Connection, run: runs.Run) -> bool:
    """Whether a run came to a verdict without a fault, and all of its mails have gone."""
    reasons = {d.reason for d in runs.decisions(connection, run.id)}
    mails = [m for m in outcomes.outcomes(connection, run_id=run.id, limit=100_000) if m.kind == run.edition]
    has_verdict = not run.error and bool(reasons - NO_VERDICT)
    return run.state == "finished" and has_verdict and all(m.state == "sent" for m in mails)


def site_state(connection: sa.Connection, config: Config, site: Site, now_utc: datetime) -> SiteState:
    """Return how it stands with one site."""
    lines, faults = [f"{site.name} ({site.id})"], []

    def local(at_utc: datetime) -> str:
        return f"{at_utc.astimezone(site.zone):%a %Y-%m-%d %H:%M}"

    last = runs.last_run(connection, site.id)
    if last is None:
        lines.append("  last run    none yet")
    else:
        verdicts = [d.verdict for d in runs.decisions(connection, last.id)]
        tally = ", ".join(f"{verdicts.count(v)} {v}" for v in Verdict if v in verdicts)
        edition = "" if last.edition == "morning" else f" ({last.edition})"
        lines.append(f"  last run    {last.day}{edition}, {local(last.finished_utc or last.claimed_utc)}: {tally}")
        if last.error:
            faults.append(f"the run of {last.day} failed: {last.error.strip().splitlines()[-1]}")
            lines.append(f"  FAILED      {last.error.strip().splitlines()[-1]}")
        lines += [f"  note        {fault}" for fault in last.faults]
    missed = _missed_day(connection, config, site, now_utc)
    if missed is not None:
        faults.append(f"there was no run for {missed}")
        lines.append(f"  MISSED      no run for {missed}; `gonogo morning {site.id}` makes one now")
    since = now_utc - LOOK_BACK
    counts = outcomes.counts(connection, now_utc=now_utc, site_id=site.id, since_utc=since)
    shown = ", ".join(f"{n} {state}" for state, n in counts.items() if n) or "none"
    lines.append(f"  mails       {shown} (last {LOOK_BACK.days} days)")
    for mail in outcomes.outcomes(
        connection, site_id=site.id, since_utc=since, states=("waiting", "refused", "expired", "set_aside"), limit=20
    ):
        if mail.state == "waiting" and not mail.last_error:
            continue
        unsaid = "each worker that took it died" if mail.state == "set_aside" else "its deadline passed"
        why = mail.last_error.strip().splitlines()[-1] if mail.last_error else unsaid
        state = SHOWN.get(mail.state, mail.state)
        lines.append(f"  {state.upper():<11} {mail.role} of crew {mail.crew_id}, {local(mail.put_utc)}: {why}")
        faults.append(f"a mail to the {mail.role} of crew {mail.crew_id} is {state}: {why}")
    starts = due.next_start_utc(site, now_utc, lead_min(config, site))
    lines.append(f"  next run    {'no working day ahead' if starts is None else local(starts)}")
    return SiteState(
        site_id=site.id,
        lines=tuple(lines),
        faults=tuple(faults),
        last_run_day=last.day if last else None,
        next_run_utc=starts,
        mails={state: n for state, n in counts.items() if n},
    )


def _missed_day(connection: sa.Connection, config: Config, site: Site, now_utc: datetime) -> date | None:
    """The local date whose run should have been finished by its mail time and was not, or None.

    A site that never ran has missed nothing yet.
    """
    today = times.local_date(now_utc, site.zone)
    if not shift.is_working_day(site, today) or now_utc < times.moment_utc(today, site.mail_at, site.zone):
        return None
    if runs.last_run(connection, site.id) is None:
        return None
    if runs.last_run(connection, site.id, day=today, edition="morning") is not None:
        return None
    return today
