"""From a conclusion to the mails of every person: one view a crew, one mail a person. No fault costs anybody a mail."""

from __future__ import annotations

import logging
import math
import traceback
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import TypeVar

from gonogo.config import Config
from gonogo.decide import changes as engine
from gonogo.decide.changes import PreviousRun
from gonogo.decide.conclusion import Conclusion
from gonogo.mail import view as mail_view
from gonogo.mail.calendar import entries_now
from gonogo.mail.items import MorningView
from gonogo.mail.letter import RenderedMail, plain_notice
from gonogo.mail.path import MoisturePath, moisture_paths
from gonogo.outgoing import workers
from gonogo.outgoing.message_id import mail_id
from gonogo.outgoing.workers import Job
from gonogo.records.site import Crew, Recipient, Site
from gonogo.records.verdict import Decision, OutlookDay
from gonogo.records.work_order import Change
from gonogo.store.outbox import OutMessage

log = logging.getLogger("gonogo.outgoing.mails")

RowT = TypeVar("RowT", Decision, OutlookDay)
UNWRITTEN_TEXT = "The mail could not be written; the operator has been told."
KIND_OF_ISSUE = {"morning": "morning"}  # every other issue is a later look


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedMail:
    """A rendered mail with whom it is for."""

    crew: Crew
    recipient: Recipient
    message_id: str
    mail: RenderedMail


def mails(
    config: Config,
    site: Site,
    conclusion: Conclusion,
    *,
    day: date,
    issue: str,
    now_utc: datetime,
    before: Mapping[str, PreviousRun],
) -> tuple[tuple[PreparedMail, ...], tuple[str, ...]]:
    """Return one mail for each recipient of each crew, and the faults met on the way.

    before   by crew the run that its last mail came from; a crew that is not there was never told anything

    A view or a template that fails costs nobody the mail: those people get a plain notice that no verdict could be
    made, which needs neither.
    """
    changes = {crew.id: _changes(config, site, conclusion, before.get(crew.id), now_utc) for crew in site.crews}
    return some_mails(config, site, conclusion, day=day, issue=issue, now_utc=now_utc, changes=changes)


def some_mails(
    config: Config,
    site: Site,
    conclusion: Conclusion,
    *,
    day: date,
    issue: str,
    now_utc: datetime,
    changes: Mapping[str, tuple[Change, ...] | None],
    first_told: Collection[str] = (),
) -> tuple[tuple[PreparedMail, ...], tuple[str, ...]]:
    """Return the mails of the crews in `changes`, each with its changes, and the faults met on the way.

    first_told   crews that this mail is the first of the day for, whatever its issue
    """
    prepared: list[PreparedMail] = []
    faults: list[str] = []
    sender, reply_to = config.transport.sender, config.transport.reply_to or ""
    decisions, outlook = _by_crew(site, conclusion.decisions), _by_crew(site, conclusion.outlook)
    try:
        entries = entries_now(conclusion.works_before, conclusion.order, site, day=day, now_utc=now_utc)
    except Exception as error:  # a mail without calendar entries is still a mail
        log.exception("%s %s: the calendar entries failed", site.id, day)
        faults.append(trace(error))
        entries = ()
    crews = [crew for crew in site.crews if crew.id in changes]
    readers = {
        crew.id: tuple((one, mail_id(site, day, issue, crew, one, sender)) for one in crew.recipients) for crew in crews
    }

    def view_of(crew: Crew) -> MorningView | None:
        """The view of a crew: whole, else without what only picture and calendar need, else None."""
        is_first = crew.id in first_told or issue == "morning"
        for has_extras in (True, False):
            try:
                return mail_view.build(
                    site,
                    crew,
                    day=day,
                    decisions=decisions[crew.id],
                    outlook=outlook[crew.id],
                    weather=conclusion.weather,
                    now_utc=now_utc,
                    issue="morning" if is_first else issue,
                    # A re-check tells what changed since this morning; the first mail, since the day before.
                    changes=conclusion.changes if is_first and conclusion.changes is not None else changes[crew.id],
                    order=conclusion.order,
                    paths=_paths(conclusion, decisions[crew.id]) if has_extras else None,
                    entries=entries if has_extras else (),
                )
            except Exception as error:  # the notice below needs no view
                log.exception("%s %s: the view of a crew failed", site.id, day)
                faults.append(trace(error))
        return None

    def jobs() -> Iterator[Job]:
        for crew in crews:
            own = readers[crew.id]
            yield Job(view=view_of(crew), readers=own, sender=sender, reply_to=reply_to, date_utc=now_utc)

    n_mails = sum(len(own) for own in readers.values())
    for crew, made in zip(crews, workers.write(jobs(), n_mails=n_mails), strict=True):
        faults += made.faults
        for (recipient, message_id), mail in zip(readers[crew.id], made.mails, strict=True):
            if mail is None:  # the notice needs neither view nor template
                reason = conclusion.reason or UNWRITTEN_TEXT
                mail = _notice(config, site, recipient, day=day, reason=reason, message_id=message_id, at_utc=now_utc)
            prepared.append(PreparedMail(crew=crew, recipient=recipient, message_id=message_id, mail=mail))
    return tuple(prepared), tuple(faults)


def plain_mails(
    config: Config, site: Site, *, day: date, issue: str, now_utc: datetime, reason: str
) -> tuple[PreparedMail, ...]:
    """Return the mail of the worst day for everybody: no model, no view, no template, no catalogue."""
    return tuple(
        PreparedMail(
            crew=crew,
            recipient=recipient,
            message_id=identity,
            mail=_notice(config, site, recipient, day=day, reason=reason, message_id=identity, at_utc=now_utc),
        )
        for crew in site.crews
        for recipient in crew.recipients
        for identity in (mail_id(site, day, issue, crew, recipient, config.transport.sender),)
    )


def out_message(site: Site, one: PreparedMail, *, run_id: int, issue: str, deadline_utc: datetime) -> OutMessage:
    """Return a mail as the outbox takes it."""
    return OutMessage(
        message_id=one.message_id,
        site_id=site.id,
        crew_id=one.crew.id,
        kind=KIND_OF_ISSUE.get(issue, "later_look"),
        role=one.recipient.role,
        name=one.recipient.name,
        address=one.recipient.address,
        subject=one.mail.subject,
        raw=one.mail.raw,
        deadline_utc=deadline_utc,
        language=one.recipient.language,
        run_id=run_id,
    )


def trace(error: Exception) -> str:
    """Return an error with where it came from, for the record of the run."""
    return "".join(traceback.format_exception(error))


def _notice(
    config: Config, site: Site, recipient: Recipient, *, day: date, reason: str, message_id: str, at_utc: datetime
) -> RenderedMail:
    return plain_notice(
        recipient,
        site=site.name,
        day=day,
        reason=reason,
        sender=config.transport.sender,
        reply_to=config.transport.reply_to or "",
        message_id=message_id,
        date_utc=at_utc,
    )


def _paths(conclusion: Conclusion, decisions: Sequence[Decision]) -> Mapping[str, MoisturePath] | None:
    """Return the moisture path of a crew's strips, None where there was no verdict."""
    if not conclusion.has_verdict or conclusion.judgement is None:
        return None
    return moisture_paths(conclusion.judgement.inputs, [d.strip_id for d in decisions])


def _by_crew(site: Site, rows: Sequence[RowT]) -> Mapping[str, list[RowT]]:
    """Return rows that belong to strips by crew, so that one crew's mail does not cost a look at every other's."""
    crew_of = {strip.id: strip.crew_id for strip in site.strips}
    found: defaultdict[str, list[RowT]] = defaultdict(list)
    for row in rows:
        if row.strip_id in crew_of:
            found[crew_of[row.strip_id]].append(row)
    return found


def _changes(
    config: Config, site: Site, conclusion: Conclusion, before: PreviousRun | None, now_utc: datetime
) -> tuple[Change, ...] | None:
    """Return what changed for a crew since its last mail, None where it never had one.

    Stands in where the run compared itself with none: then there are verdicts at the most, and no causes.
    """
    if before is None:
        return None
    now = PreviousRun(at_utc=now_utc, decisions=conclusion.decisions, outlook=conclusion.outlook)
    return engine.changes(
        site, before, now, entries=(), fallen_mm=(math.nan, math.nan), settings=config.settings[site.id]
    )
