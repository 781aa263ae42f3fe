"""A later look: the morning again on the newest forecast, mailed only to crews for whom something changed.

A look that comes to no verdict tells the operator and no crew: what a crew was told in the morning rested on a forecast
that was good then, and stands until a newer one says otherwise.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, time

import sqlalchemy as sa

from gonogo.config import Config
from gonogo.decide.changes import PreviousRun, changes, worth_a_mail
from gonogo.decide.conclusion import Conclusion
from gonogo.download.forecasts import Fetch
from gonogo.errors import GonogoError
from gonogo.morning import answers as kept_answers
from gonogo.morning import compute, previous
from gonogo.morning import run as morning_run
from gonogo.morning.run import MorningResult
from gonogo.outgoing import mails
from gonogo.records.field import Entry
from gonogo.records.site import Site
from gonogo.records.work_order import Change
from gonogo.store import learned, runs, schema
from gonogo.weather.series import fallen_mm

log = logging.getLogger("gonogo.morning.recheck")


def issue(at: time) -> str:
    """Return the name of the look at a local time, as runs and Message-IDs carry it."""
    return f"look-{at:%H%M}"


def run_recheck(
    config: Config,
    site: Site,
    *,
    at: time,
    store: sa.Engine,
    day: date,
    now_utc: datetime,
    deadline_utc: datetime,
    owner: str,
    fetch: Fetch,
) -> MorningResult | None:
    """Look again, store what came of it, and put mails into the outbox for whom it concerns.

    None where the look is done or another is at it. A crew that was told nothing this morning gets its first mail.
    Raises StoreError where the database fails; nothing is then half stored.
    """
    claim = runs.claim_run(store, site.id, day, issue(at), now_utc=now_utc, owner=owner)
    if claim is None:
        return None
    try:
        with schema.read(store) as connection:
            entries, answers = previous.load(connection, config, site, now_utc)
            told = previous.told(connection, site, day=day)
            earlier = previous.earlier(connection, site, day)
            stored_soil = learned.rows(connection, site.id, until_utc=now_utc)
        answer_ids: list[int] = []
        conclusion = compute.conclude(
            config,
            site,
            day=day,
            issue=claim.issue,
            now_utc=now_utc,
            entries=entries,
            fetch=fetch,
            stored=answers,
            keep=lambda downloaded: answer_ids.append(kept_answers.keep_answer(store, site, downloaded)),
            keep_refused=lambda error: kept_answers.keep_refused(store, site, error),
            earlier=earlier,
            stored_soil=stored_soil,
        )
        conclusion = replace(conclusion, works_before=earlier.works)
        moved, faults = changed(config, site, conclusion, told, entries=entries, now_utc=now_utc)
        prepared, mail_faults = mails.some_mails(
            config,
            site,
            conclusion,
            day=day,
            issue=claim.issue,
            now_utc=now_utc,
            changes=moved,
            first_told=[crew.id for crew in site.crews if crew.id not in told],
        )
        morning_run.finish(
            config,
            site,
            claim,
            conclusion,
            prepared,
            store=store,
            now_utc=now_utc,
            deadline_utc=deadline_utc,
            answer_id=answer_ids[0] if answer_ids else None,
            mail_faults=(*faults, *mail_faults),
        )
    except GonogoError as error:
        runs.release_run(store, claim, now_utc=now_utc, error=str(error))
        raise
    return MorningResult(site=site, day=day, conclusion=conclusion, mails=prepared, run_id=claim.run_id)


def changed(
    config: Config,
    site: Site,
    conclusion: Conclusion,
    told: Mapping[str, PreviousRun],
    *,
    entries: Sequence[Entry],
    now_utc: datetime,
) -> tuple[dict[str, tuple[Change, ...] | None], tuple[str, ...]]:
    """Return by crew what is worth a mail, and the faults met on the way; a crew with nothing to be told is not there.

    told   by crew the run that its last mail of the day came from
    None stands for a crew that was told nothing yet today.
    """
    found: dict[str, tuple[Change, ...] | None] = {}
    faults: list[str] = []
    now = PreviousRun(at_utc=now_utc, decisions=conclusion.decisions, outlook=conclusion.outlook)
    for crew in site.crews:
        last = told.get(crew.id)
        if last is None:
            found[crew.id] = None
            continue
        if not conclusion.has_verdict or conclusion.weather is None:
            continue
        try:
            moved = changes(
                site,
                last,
                now,
                entries=entries,
                fallen_mm=fallen_mm(conclusion.weather, last.at_utc, now_utc),
                settings=config.settings[site.id],
            )
        except Exception as error:  # one crew's comparison must not cost the others their mail
            log.exception("%s %s: the comparison of a crew failed", site.id, crew.id)
            faults.append(mails.trace(error))
            continue
        if worth_a_mail(moved):
            found[crew.id] = moved
    return found, tuple(faults)
