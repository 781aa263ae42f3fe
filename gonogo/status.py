"""What a monitor and an operator ask: how the last runs went, which mails wait or failed, what comes next."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import sqlalchemy as sa

from gonogo import service, times
from gonogo.commands import ATTENTION, OK, Outcome, lead_min, open_store
from gonogo.config import Config
from gonogo.records import Site, Verdict
from gonogo.store import outbox, runs, schema

LOOK_BACK = timedelta(days=3)  # mails older than this no longer trouble anybody


def status(config: Config, *, now_utc: datetime) -> Outcome:
    """Say how each site's last run went, what became of the mails, and what comes next."""
    store = open_store(config)
    lines: list[str] = []
    needs_attention = False
    try:
        with schema.read(store) as connection:
            for site in config.sites:
                text, is_bad = _site_status(connection, config, site, now_utc)
                lines.append(text)
                needs_attention |= is_bad
    finally:
        store.dispose()
    lines.append("Somebody must look." if needs_attention else "All well.")
    return Outcome(text="\n".join(lines), exit_code=ATTENTION if needs_attention else OK)


def _site_status(connection: sa.Connection, config: Config, site: Site, now_utc: datetime) -> tuple[str, bool]:
    """The status lines of one site, and whether somebody must look."""
    lines, is_bad = [f"{site.name} ({site.id})"], False

    def local(at_utc: datetime) -> str:
        return f"{at_utc.astimezone(site.zone):%a %Y-%m-%d %H:%M}"

    last = runs.last_run(connection, site.id)
    if last is None:
        lines.append("  last run    none yet")
    else:
        verdicts = [d.verdict for d in runs.decisions(connection, last.id)]
        tally = ", ".join(f"{verdicts.count(v)} {v}" for v in Verdict if v in verdicts)
        lines.append(f"  last run    {last.day}, {local(last.finished_utc or last.claimed_utc)}: {tally}")
        if last.error:
            is_bad = True
            lines.append(f"  FAILED      {last.error.strip().splitlines()[-1]}")
        lines += [f"  note        {fault}" for fault in last.faults]
    missed = _missed_day(connection, config, site, now_utc)
    if missed is not None:
        is_bad = True
        lines.append(f"  MISSED      no run for {missed}; `gonogo morning {site.id}` makes one now")
    since = now_utc - LOOK_BACK
    counts = outbox.counts(connection, now_utc=now_utc, site_id=site.id, since_utc=since)
    shown = ", ".join(f"{n} {state}" for state, n in counts.items() if n) or "none"
    lines.append(f"  mails       {shown} (last {LOOK_BACK.days} days)")
    for one in outbox.outcomes(
        connection, site_id=site.id, since_utc=since, states=("waiting", "refused", "expired", "set_aside"), limit=20
    ):
        if one.state == "waiting" and not one.last_error:
            continue
        is_bad = True
        why = one.last_error.strip().splitlines()[-1] if one.last_error else "its deadline passed"
        lines.append(f"  {one.state.upper():<11} {one.role} of crew {one.crew_id}, {local(one.put_utc)}: {why}")
    starts = service.next_start_utc(site, now_utc, lead_min(config, site))
    lines.append(f"  next run    {'no working day ahead' if starts is None else local(starts)}")
    return "\n".join(lines), is_bad


def _missed_day(connection: sa.Connection, config: Config, site: Site, now_utc: datetime) -> date | None:
    """The local date whose run should have been finished by its mail time and was not, or None.

    A site that never ran has missed nothing yet.
    """
    today = times.local_date(now_utc, site.zone)
    if not times.is_working_day(site, today) or now_utc < times.moment_utc(today, site.mail_at, site.zone):
        return None
    if runs.last_run(connection, site.id) is None or runs.last_run(connection, site.id, day=today) is not None:
        return None
    return today
