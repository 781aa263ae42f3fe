"""One run of one site: load, compute, store. A fault on the way becomes "wait, decide on site with a test"."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

import sqlalchemy as sa
from pydantic_core import to_json

from gonogo import __version__
from gonogo.config import Config
from gonogo.decide.changes import PreviousRun
from gonogo.decide.conclusion import Conclusion
from gonogo.download.forecasts import Fetch
from gonogo.errors import GonogoError
from gonogo.morning import previous
from gonogo.morning.answers import keep_answer, keep_refused
from gonogo.morning.compute import _no_conclusion, conclude, seed
from gonogo.morning.previous import load, told
from gonogo.outgoing import mails as outgoing_mails
from gonogo.outgoing import notices
from gonogo.outgoing.mails import PreparedMail
from gonogo.records import shift
from gonogo.records.site import Site
from gonogo.store import learned, outbox, runs, schema

log = logging.getLogger("gonogo.morning.run")


@dataclass(frozen=True, slots=True, kw_only=True)
class MorningResult:
    """A run as it was stored and put into the outbox."""

    site: Site
    day: date
    conclusion: Conclusion
    mails: tuple[PreparedMail, ...]
    run_id: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """Why a morning is not computed at all: every strip waits, and everybody is told so all the same.

    reason   for the crews, a sentence
    faults   for the operator

    The morning is taken from whoever may be at it, and the mails are made without template or view: one of these may
    be what takes so long.
    """

    reason: str
    faults: tuple[str, ...]


def run_morning(
    config: Config,
    site: Site,
    *,
    store: sa.Engine,
    day: date,
    now_utc: datetime,
    deadline_utc: datetime,
    owner: str,
    fetch: Fetch,
    issue: str = "morning",
    refusal: Refusal | None = None,
) -> MorningResult | None:
    """Run a site's morning, store it and put its mails into the outbox. None where it is done or another is at it.

    refusal   why no verdict is to be made this morning, None for an ordinary morning

    Verdicts and mails are stored in one transaction: after a crash at any line the run is either whole or free to be
    taken over. Raises StoreError where the database fails, and its kind TakenOverError where another finished the
    morning since this run took too long; nothing is then half stored.
    """
    is_refused = refusal is not None
    claim = runs.claim_run(store, site.id, day, issue, now_utc=now_utc, owner=owner, takes_over=is_refused)
    if claim is None:
        return None
    try:
        answer_ids: list[int] = []
        faults: tuple[str, ...]
        if refusal is not None:
            conclusion, faults = _no_conclusion(site, None, refusal.reason, "not_knowable", refusal.faults, ""), ()
            prepared = outgoing_mails.plain_mails(
                config, site, day=day, issue=issue, now_utc=now_utc, reason=refusal.reason
            )
        else:
            conclusion, before = _computed(
                config, site, store=store, day=day, issue=issue, now_utc=now_utc, fetch=fetch, answer_ids=answer_ids
            )
            prepared, faults = outgoing_mails.mails(
                config, site, conclusion, day=day, issue=issue, now_utc=now_utc, before=before
            )
        finish(
            config,
            site,
            claim,
            conclusion,
            prepared,
            store=store,
            now_utc=now_utc,
            deadline_utc=deadline_utc,
            answer_id=answer_ids[0] if answer_ids else None,
            mail_faults=faults,
        )
    except GonogoError as error:
        runs.release_run(store, claim, now_utc=now_utc, error=str(error))
        raise
    return MorningResult(site=site, day=day, conclusion=conclusion, mails=prepared, run_id=claim.run_id)


def _computed(
    config: Config,
    site: Site,
    *,
    store: sa.Engine,
    day: date,
    issue: str,
    now_utc: datetime,
    fetch: Fetch,
    answer_ids: list[int],
) -> tuple[Conclusion, dict[str, PreviousRun]]:
    """Load and compute; the stored answer's number is added to answer_ids even where the computation fails."""
    with schema.read(store) as connection:
        entries, answers = load(connection, config, site, now_utc)
        before = told(connection, site, before_day=day)
        earlier = previous.earlier(connection, site, day)
        stored_soil = learned.rows(connection, site.id, until_utc=now_utc)
    conclusion = conclude(
        config,
        site,
        day=day,
        issue=issue,
        now_utc=now_utc,
        entries=entries,
        fetch=fetch,
        stored=answers,
        keep=lambda downloaded: answer_ids.append(keep_answer(store, site, downloaded)),
        keep_refused=lambda error: keep_refused(store, site, error),
        earlier=earlier,
        stored_soil=stored_soil,
    )
    return replace(conclusion, works_before=earlier.works), before


def finish(
    config: Config,
    site: Site,
    claim: runs.Claim,
    conclusion: Conclusion,
    prepared: Sequence[PreparedMail],
    *,
    store: sa.Engine,
    now_utc: datetime,
    deadline_utc: datetime,
    answer_id: int | None,
    mail_faults: Sequence[str],
) -> None:
    """Store a run with its mails, and a word to the operator where it has no verdict or met a fault, in one step."""
    record = runs.RunRecord(
        decisions=conclusion.decisions,
        outlook=conclusion.outlook,
        config_text=_config_text(config, site),
        seed=seed(site, claim.day, claim.issue),
        program_version=__version__,
        answer_id=answer_id,
        faults=(*conclusion.faults, *(f.splitlines()[-1] for f in mail_faults)),
        error="\n".join(filter(None, (conclusion.error, *mail_faults))),
        order=conclusion.order,
    )
    is_bad = not conclusion.has_verdict or record.error
    with schema.begin(store) as connection:
        runs.finish_run(connection, claim, record, now_utc=now_utc)
        if conclusion.judgement is not None:
            lessons = conclusion.judgement.lessons
            learned.save(connection, site.id, lessons, made_utc=now_utc, run_id=claim.run_id)
        letters = [
            outgoing_mails.out_message(site, one, run_id=claim.run_id, issue=claim.issue, deadline_utc=deadline_utc)
            for one in prepared
        ]
        word = _to_operator(config, site, claim, conclusion, record, len(letters), now_utc) if is_bad else ()
        outbox.put(connection, [*letters, *word], now_utc=now_utc)


def _to_operator(
    config: Config,
    site: Site,
    claim: runs.Claim,
    conclusion: Conclusion,
    record: runs.RunRecord,
    n_mails: int,
    now_utc: datetime,
) -> tuple[outbox.OutMessage, ...]:
    """The mail that tells the operator why a run has no verdict, or what failed in it."""
    last = record.error.strip().splitlines()[-1:]
    if claim.issue != "morning" and not n_mails:
        told_crews = "The crews were not mailed again: what they were told in the morning stands."
    else:
        told_crews = f"{n_mails} mails went into the outbox all the same, and say what is not known."
    try:
        return notices.to_operator(
            config,
            site_id=site.id,
            site_name=site.name,
            day=claim.day,
            what=f"run {claim.issue}",
            subject="a mail could not be written" if conclusion.has_verdict else f"no verdict, {claim.issue}",
            lines=[conclusion.reason or "A verdict was made.", *record.faults, *last, told_crews],
            now_utc=now_utc,
            run_id=claim.run_id,
        )
    except Exception:  # a word to the operator must not cost the crews their mails
        log.exception("%s %s: the operator could not be written to", site.id, claim.day)
        return ()


def by_hand_deadline_utc(site: Site, day: date, now_utc: datetime, deadline_utc: datetime) -> datetime:
    """Return until when the mails of a run started by hand are worth sending: the shift's rest, an hour at least."""
    _, shift_end = shift.shift_utc(site, day)
    return max(deadline_utc, shift_end, now_utc + timedelta(hours=1))


def _config_text(config: Config, site: Site) -> str:
    """The accepted configuration of a site as JSON, for the record of the run; it holds no secret."""
    return to_json({"site": site, "settings": dict(config.settings[site.id])}, fallback=str).decode()
