"""How a site's last morning went, for the status and the health file."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import sqlalchemy as sa

from gonogo import times
from gonogo.config import Config
from gonogo.records import shift
from gonogo.records.days_off import is_over, stop_on
from gonogo.records.site import Site
from gonogo.records.verdict import Verdict
from gonogo.service import due
from gonogo.service.alive import SILENT_AFTER
from gonogo.service.due import lead_min
from gonogo.store import outcomes, runs, span
from gonogo.store.queued import Queued
from gonogo.wording import phrases
from gonogo.wording.clock import Clock
from gonogo.wording.phrases import Day, Gap, Names, Phrase, phrase
from gonogo.wording.sentences import NO_VERDICT

TALLY = {Verdict.COMPACT: "tally.compact", Verdict.WATER: "tally.water_first", Verdict.WAIT: "tally.wait"}
UNSENT = ("waiting", "refused", "expired", "set_aside")
LOOK_BACK = timedelta(days=3)  # mails older than this no longer matter to anybody


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteState:
    """How it stands with one site.

    lines    for a person: a label (a key of [status]) and what stands beside it; faults of a run as they were logged
    faults   what somebody must look at, a sentence each
    """

    site_id: str
    lines: tuple[tuple[str, Gap], ...]
    faults: tuple[Phrase, ...]
    last_run_day: date | None
    next_run_utc: datetime | None
    mails: dict[str, int]


def silence(config: Config, now_utc: datetime) -> Phrase | None:
    """Return what is wrong with the service by its health file: since when it is silent, or why it stores nothing.

    None where it is well, or no such file is asked for.
    """
    path = config.watch.health_file
    if path is None:
        return None
    try:
        state = json.loads(path.read_text(encoding="utf-8"))
        written_utc, store_fault = datetime.fromisoformat(state["at_utc"]), state.get("store_fault")
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return phrase("status.no_health_file", path=str(path))
    if abs(now_utc - written_utc) <= SILENT_AFTER:
        return phrase("status.stores_nothing", why=str(store_fault)) if store_fault else None
    key = "status.from_future" if written_utc > now_utc else "status.silent"
    return phrase(key, utc=f"{written_utc:%Y-%m-%d %H:%M}")


def has_own_verdict(connection: sa.Connection, run: runs.Run) -> bool:
    """Return whether a run came to a verdict, good or bad, or to a fault of ours that another try would not mend."""
    return bool(run.error) or bool({d.reason for d in runs.decisions(connection, run.id)} - NO_VERDICT)


def with_own_verdicts(
    connection: sa.Connection, edition: str, keys: Sequence[tuple[str, date]]
) -> frozenset[tuple[str, date]]:
    """Return those of many runs, by site and local date, that are finished and of which has_own_verdict is true."""
    found = runs.with_reasons(connection, edition, keys)
    return frozenset(key for key, (error, reasons) in found.items() if error or reasons - NO_VERDICT)


def is_good_morning(connection: sa.Connection, run: runs.Run) -> bool:
    """Whether a run came to a verdict without a fault, and all of its mails have gone."""
    reasons = {d.reason for d in runs.decisions(connection, run.id)}
    mails = [m for m in outcomes.outcomes(connection, run_id=run.id, limit=100_000) if m.kind == run.edition]
    has_verdict = not run.error and bool(reasons - NO_VERDICT)
    return run.state == "finished" and has_verdict and all(m.state == "sent" for m in mails)


def site_state(connection: sa.Connection, config: Config, site: Site, now_utc: datetime) -> SiteState:
    """Return how it stands with one site."""
    clock = Clock(site=site, day=times.local_date(now_utc, site.zone))
    last = runs.last_run(connection, site.id)
    lines, faults = _runs(connection, last, clock)
    missed = _missed_day(connection, config, site, now_utc)
    if missed is not None:
        faults.append(phrase("status.no_run", day=Day(day=missed)))
        lines.append(("missed", phrase("status.make_now", day=Day(day=missed), site=site.id)))
    since = now_utc - LOOK_BACK
    counts = outcomes.counts(connection, now_utc=now_utc, site_id=site.id, since_utc=since)
    states = Names(items=tuple(phrase(f"status.{state}", n=n) for state, n in counts.items() if n))
    back = phrases.duration(LOOK_BACK / times.HOUR)
    shown = phrase("status.mails_since", states=states, time=back) if states.items else None
    lines.append(("mails", shown or phrase("status.no_mails", time=back)))
    for mail in outcomes.outcomes(connection, site_id=site.id, since_utc=since, states=UNSENT, limit=20):
        if mail.state == "waiting" and not mail.last_error:
            continue
        own: dict[str, Gap] = {"role": mail.role, "crew": mail.crew_id, "why": _why(mail)}
        lines.append((f"is_{mail.state}", phrase("status.mail", time=clock.minute(mail.put_utc), **own)))
        faults.append(phrase("status.mail_fault", state=phrase(f"status.is_{mail.state}"), **own))
    if (waits := _waits(connection, site, since, clock)) is not None:
        lines.append(("waits", waits))
    lines += _standing(site, clock.day)
    starts = due.next_start_utc(site, now_utc, lead_min(config, site))
    lines.append(("next_run", phrase("status.no_day_ahead") if starts is None else clock.minute(starts)))
    rechecks = [at for at in (due.next_recheck_utc(site, at, now_utc) for at in site.recheck_at) if at is not None]
    if rechecks:
        lines.append(("next_recheck", clock.minute(min(rechecks))))
    return SiteState(
        site_id=site.id,
        lines=tuple(lines),
        faults=tuple(faults),
        last_run_day=last.day if last else None,
        next_run_utc=starts,
        mails={state: n for state, n in counts.items() if n},
    )


def _runs(connection: sa.Connection, last: runs.Run | None, clock: Clock) -> tuple[list[tuple[str, Gap]], list[Phrase]]:
    """Return the lines of the last day's morning and re-checks, and what somebody must look at.

    A morning without a verdict is a fault until a later run of its day brings one.
    """
    if last is None:
        return [("last_run", phrase("status.none_yet"))], []
    lines: list[tuple[str, Gap]] = []
    faults: list[Phrase] = []
    has_verdict = False
    for run in span.runs_of_day(connection, last.site_id, last.day):
        its_lines, its_faults = _run(connection, run, clock)
        lines += its_lines
        faults += its_faults
        has_verdict |= has_own_verdict(connection, run)
    if not has_verdict:
        faults.append(phrase("status.without", day=Day(day=last.day)))
    return lines, faults


def _standing(site: Site, today: date) -> list[tuple[str, Gap]]:
    """Return a line for a site that stands still today, or has come to its end."""
    if site.ends_on is not None and is_over(site, today):
        return [("site", phrase("status.ended", last=Day(day=site.ends_on)))]
    stop = stop_on(site, today)
    return [] if stop is None else [("site", phrase("status.stands_still", last=Day(day=stop.last_day)))]


def _run(connection: sa.Connection, run: runs.Run, clock: Clock) -> tuple[list[tuple[str, Gap]], list[Phrase]]:
    """Return the lines of a run, and its faults."""
    verdicts = [d.verdict for d in runs.decisions(connection, run.id)]
    tally: Gap = Names(items=tuple(phrase(TALLY[v], n=verdicts.count(v)) for v in Verdict if v in verdicts))
    if not has_own_verdict(connection, run):
        tally = phrase("status.no_verdict")
    is_morning = run.edition == "morning"
    done = clock.minute(run.finished_utc or run.claimed_utc)
    run_line = phrase(
        "status.morning" if is_morning else "status.recheck",
        day=Day(day=run.day),
        edition=run.edition,
        time=done,
        tally=tally,
    )
    lines: list[tuple[str, Gap]] = [("last_run" if is_morning else "rechecked", run_line)]
    faults = []
    if run.error:
        why = run.error.strip().splitlines()[-1]
        faults.append(phrase("status.run_failed", day=Day(day=run.day), why=why))
        lines.append(("failed", why))
    return [*lines, *(("note", fault) for fault in run.faults)], faults


def _waits(connection: sa.Connection, site: Site, since_utc: datetime, clock: Clock) -> Phrase | None:
    """Say how many mails wait, from when on they are tried and when the first is of no use; None where none wait."""
    waiting = outcomes.outcomes(connection, site_id=site.id, since_utc=since_utc, states=("waiting",))
    if not waiting:
        return None
    return phrase(
        "status.waits_until",
        n=len(waiting),
        time=clock.minute(min(mail.next_try_utc for mail in waiting)),
        until=clock.minute(min(mail.deadline_utc for mail in waiting)),
    )


def _why(mail: Queued) -> Gap:
    """Say why a mail has not gone: as the server or the program said it, else what its state means."""
    if mail.last_error:
        return mail.last_error.strip().splitlines()[-1]
    return phrase("status.workers_died" if mail.state == "set_aside" else "status.deadline_passed")


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
