"""From a conclusion to the mails of every person: one view a crew, one mail a person. No fault costs anybody a mail."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

from gonogo.decide import changes as engine
from gonogo.decide.changes import PreviousRun
from gonogo.decide.conclusion import Conclusion
from gonogo.mail import view as mail_view
from gonogo.mail.calendar import Entry as CalendarEntry
from gonogo.mail.calendar import entries_now
from gonogo.mail.items import MorningView
from gonogo.mail.letter import RenderedMail, plain_notice
from gonogo.mail.path import MoisturePath, moisture_paths
from gonogo.outgoing import workers
from gonogo.outgoing.attempts import first_made
from gonogo.outgoing.frame import MORNING, RunFrame
from gonogo.outgoing.message_id import mail_id
from gonogo.outgoing.workers import Job
from gonogo.records.site import Crew, Recipient, Site
from gonogo.records.verdict import Decision, OutlookDay
from gonogo.records.work_order import Change
from gonogo.store.queued import Envelope

RowT = TypeVar("RowT", Decision, OutlookDay)
UNWRITTEN_TEXT = "The mail could not be written; the operator has been told."
RECHECK_KIND = "recheck"  # as it is stored


def mails(
    frame: RunFrame, conclusion: Conclusion, *, before: Mapping[str, PreviousRun]
) -> tuple[tuple[Envelope, ...], tuple[str, ...]]:
    """Return one mail for each recipient of each crew, and the faults met on the way.

    before   by crew the run that its last mail came from; a crew that is not there was never mailed

    A view or a template that fails costs nobody the mail: those people get a plain notice that no verdict could be
    made, which needs neither.
    """
    changes = {crew.id: _changes(frame, conclusion, before.get(crew.id)) for crew in frame.site.crews}
    return some_mails(frame, conclusion, changes=changes)


def some_mails(
    frame: RunFrame,
    conclusion: Conclusion,
    *,
    changes: Mapping[str, tuple[Change, ...] | None],
    first_mailed: Collection[str] = (),
) -> tuple[tuple[Envelope, ...], tuple[str, ...]]:
    """Return the mails of the crews in `changes`, each with its changes, and the faults met on the way.

    first_mailed   crews that this mail is the first of the day for, whatever its edition
    """
    calendar, calendar_faults = first_made(
        (
            lambda: entries_now(
                conclusion.works_before, conclusion.order, frame.site, day=frame.day, now_utc=frame.now_utc
            ),
        ),
        what=f"{frame.site.id}: the calendar entries",
    )
    faults = list(calendar_faults)
    crews = [crew for crew in frame.site.crews if crew.id in changes]
    readers = {crew.id: tuple((person, mail_id(frame, crew, person)) for person in crew.recipients) for crew in crews}
    views = _Views(
        frame=frame,
        conclusion=conclusion,
        decisions=_by_crew(frame.site, conclusion.decisions),
        outlook=_by_crew(frame.site, conclusion.outlook),
        changes=changes,
        first_mailed=first_mailed,
        calendar=calendar or (),
    )

    def jobs() -> Iterator[Job]:
        for crew in crews:
            view, view_faults = first_made(views.makers(crew), what=f"{frame.site.id}: the view of crew {crew.id}")
            faults.extend(view_faults)
            yield Job(
                view=view,
                readers=readers[crew.id],
                sender=frame.sender,
                reply_to=frame.reply_to,
                date_utc=frame.now_utc,
            )

    prepared: list[Envelope] = []
    n_mails = sum(len(own) for own in readers.values())
    for crew, made in zip(crews, workers.write(jobs(), n_mails=n_mails), strict=True):
        faults += made.faults
        for (person, message_id), mail in zip(readers[crew.id], made.mails, strict=True):
            whole = mail or _notice(frame, person, conclusion.reason or UNWRITTEN_TEXT, message_id)
            prepared.append(_envelope(frame, crew, person, message_id, whole))
    return tuple(prepared), tuple(faults)


def plain_mails(frame: RunFrame, reason: str) -> tuple[Envelope, ...]:
    """Return the mail of the worst day for everybody: no model, no view, no template, no catalogue."""
    return tuple(
        _envelope(frame, crew, person, message_id, _notice(frame, person, reason, message_id))
        for crew in frame.site.crews
        for person in crew.recipients
        for message_id in (mail_id(frame, crew, person),)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Views:
    """What the views of a run's crews are built from."""

    frame: RunFrame
    conclusion: Conclusion
    decisions: Mapping[str, list[Decision]]
    outlook: Mapping[str, list[OutlookDay]]
    changes: Mapping[str, tuple[Change, ...] | None]
    first_mailed: Collection[str]
    calendar: tuple[CalendarEntry, ...]

    def makers(self, crew: Crew) -> tuple[Callable[[], MorningView], ...]:
        """What makes a crew's view: whole, else without what only picture and calendar need."""
        return tuple(partial(self._view, crew, has_extras=has_extras) for has_extras in (True, False))

    def _view(self, crew: Crew, *, has_extras: bool) -> MorningView:
        frame, conclusion = self.frame, self.conclusion
        is_first = crew.id in self.first_mailed or frame.edition == MORNING
        decisions = self.decisions[crew.id]
        return mail_view.build(
            frame.site,
            crew,
            day=frame.day,
            decisions=decisions,
            outlook=self.outlook[crew.id],
            weather=conclusion.weather,
            now_utc=frame.now_utc,
            edition=MORNING if is_first else frame.edition,
            # A re-check tells what changed since this morning; the first mail of a day, since the day before.
            changes=conclusion.changes if is_first and conclusion.changes is not None else self.changes[crew.id],
            order=conclusion.order,
            paths=_paths(conclusion, decisions) if has_extras else None,
            entries=self.calendar if has_extras else (),
        )


def _envelope(frame: RunFrame, crew: Crew, person: Recipient, message_id: str, mail: RenderedMail) -> Envelope:
    return Envelope(
        message_id=message_id,
        site_id=frame.site.id,
        crew_id=crew.id,
        kind=MORNING if frame.edition == MORNING else RECHECK_KIND,
        role=person.role,
        name=person.name,
        address=person.address,
        subject=mail.subject,
        raw=mail.raw,
        deadline_utc=frame.deadline_utc,
        language=person.language,
    )


def _notice(frame: RunFrame, person: Recipient, reason: str, message_id: str) -> RenderedMail:
    return plain_notice(
        person,
        site=frame.site.name,
        day=frame.day,
        reason=reason,
        sender=frame.sender,
        reply_to=frame.reply_to,
        message_id=message_id,
        date_utc=frame.now_utc,
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


def _changes(frame: RunFrame, conclusion: Conclusion, before: PreviousRun | None) -> tuple[Change, ...] | None:
    """What changed for a crew since its last mail, None where it never had one.

    Stands in where the run compared itself with none: then there are verdicts at the most, and no causes.
    """
    if before is None:
        return None
    return engine.changes(
        frame.site,
        before,
        PreviousRun(at_utc=frame.now_utc, decisions=conclusion.decisions, outlook=conclusion.outlook),
        entries=(),
        fallen_mm=(math.nan, math.nan),
        settings=frame.config.settings[frame.site.id],
    )
