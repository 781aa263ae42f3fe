"""From a conclusion to everybody's mails: one view per crew, one mail per person. No fault costs anybody a mail."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial

from gonogo.decide import changes as engine
from gonogo.decide.changes import PreviousRun
from gonogo.decide.conclusion import Conclusion
from gonogo.decide.plan.bare import verdicts_only
from gonogo.errors import ConfigError
from gonogo.mail import view as mail_view
from gonogo.mail.calendar import Entry as CalendarEntry
from gonogo.mail.calendar import entries_now
from gonogo.mail.items import MorningView
from gonogo.mail.letter import Post, RenderedMail, plain_notice
from gonogo.mail.morning import Morning
from gonogo.mail.path import PathsOnce
from gonogo.mail.role import load_role
from gonogo.outgoing import wishes, workers
from gonogo.outgoing.attempts import first_made
from gonogo.outgoing.frame import MORNING, RunFrame
from gonogo.outgoing.message_id import mail_id
from gonogo.outgoing.workers import CrewJob
from gonogo.records.day_plan import DayPlan
from gonogo.records.site import Crew, Recipient
from gonogo.records.work_order import Change
from gonogo.store.queued import Envelope

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

    judgement = conclusion.judgement
    wanted = partial(_is_wanted, frame, conclusion, changes, first_mailed)
    batches = _batches(frame, crews, wanted)
    views = _Views(
        frame=frame,
        conclusion=conclusion,
        plan=_plan(frame, conclusion),
        changes=changes,
        first_mailed=first_mailed,
        calendar=calendar or (),
        paths=PathsOnce(judgement.inputs if judgement is not None and conclusion.has_verdict else None),
    )

    def jobs() -> Iterator[CrewJob]:
        for batch in batches:
            view, view_faults = views.of(batch.crews, batch.truck_id)
            faults.extend(view_faults)
            yield CrewJob(
                view=view, readers=batch.readers, sender=frame.sender, reply_to=frame.reply_to, date_utc=frame.now_utc
            )

    prepared: list[Envelope] = []
    n_mails = sum(len(batch.readers) for batch in batches)
    for batch, made in zip(batches, workers.write(jobs(), n_mails=n_mails), strict=True):
        faults += made.faults
        for (person, message_id), mail in zip(batch.readers, made.mails, strict=True):
            whole = mail or _notice(frame, person, conclusion.reason or UNWRITTEN_TEXT, message_id)
            prepared.append(_envelope(frame, batch.crews[0], person, message_id, whole))
    return tuple(prepared), tuple(faults)


def _is_wanted(
    frame: RunFrame,
    conclusion: Conclusion,
    changes: Mapping[str, tuple[Change, ...] | None],
    first_mailed: Collection[str],
    person: Recipient,
    crews: tuple[Crew, ...],
) -> bool:
    """Return whether a person wants this run's mail about some crews."""
    return wishes.is_wanted(
        person,
        crews,
        day=frame.day,
        is_first=frame.edition == MORNING or all(crew.id in first_mailed for crew in crews),
        has_verdict=conclusion.has_verdict,
        changes=changes,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Batch:
    """Readers of one view: a crew's own, or people who read several crews in one mail, under the first's name.

    truck_id   the truck whose driver reads it, "" for all trucks of the crews
    """

    crews: tuple[Crew, ...]
    readers: tuple[tuple[Recipient, str], ...]
    truck_id: str = ""


def _batches(
    frame: RunFrame, crews: Sequence[Crew], wanted: Callable[[Recipient, tuple[Crew, ...]], bool]
) -> list[_Batch]:
    """Return the mails to be written: a crew's, and then one for each person who reads several.

    wanted   whether a person wants a mail about some crews
    """
    batches = []
    several = wishes.of_several(crews)
    shared: dict[tuple[str, str], list[tuple[Crew, Recipient]]] = {}
    for crew in crews:
        own: dict[str, list[Recipient]] = {}
        for person in crew.recipients:
            if _reads_all(person) or wishes.reader(person) in several:
                shared.setdefault(wishes.reader(person), []).append((crew, person))
            elif wanted(person, (crew,)):
                own.setdefault(person.truck_id, []).append(person)
        for truck_id, people in own.items():
            readers = tuple((p, mail_id(frame, crew, p)) for p in people)
            batches.append(_Batch(crews=(crew,), readers=readers, truck_id=truck_id))
    for found in shared.values():
        crew, person = found[0]
        theirs = tuple(dict.fromkeys(crew for crew, _ in found))
        if wanted(person, theirs):
            trucks = {entry.truck_id for _, entry in found}
            truck_id = trucks.pop() if len(trucks) == 1 else ""
            batches.append(_Batch(crews=theirs, readers=((person, mail_id(frame, crew, person)),), truck_id=truck_id))
    return batches


def _reads_all(person: Recipient) -> bool:
    """Return whether a person's role has one mail for all crews; a role that cannot be read has one a crew."""
    try:
        return load_role(person.role).is_for_all_crews
    except ConfigError:
        return False


def _plan(frame: RunFrame, conclusion: Conclusion) -> DayPlan:
    """Return the day plan, or where making it failed the verdicts alone."""
    if conclusion.plan is not None:
        return conclusion.plan
    judged = conclusion.judgement
    histories = {} if judged is None else dict(zip((s.id for s in frame.site.strips), judged.histories, strict=False))
    return verdicts_only(
        frame.site, conclusion.decisions, histories, now_utc=frame.now_utc, day=frame.day, edition=frame.edition
    )


def plain_mails(frame: RunFrame, reason: str) -> tuple[Envelope, ...]:
    """Return the mail of the worst day for everybody, one a reader: no model, no view, no template, no catalogue."""
    readers: dict[tuple[str, str], tuple[Crew, Recipient]] = {}
    for crew in frame.site.crews:
        for person in crew.recipients:
            if wishes.comes_on(person, frame.day):
                readers.setdefault(wishes.reader(person), (crew, person))
    return tuple(
        _envelope(frame, crew, person, message_id, _notice(frame, person, reason, message_id))
        for crew, person in readers.values()
        for message_id in (mail_id(frame, crew, person),)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Views:
    """What the views of a run's crews are built from.

    made   those that were built: who reads all crews of a site that has one reads the same as that crew's own people
    """

    frame: RunFrame
    conclusion: Conclusion
    plan: DayPlan
    changes: Mapping[str, tuple[Change, ...] | None]
    first_mailed: Collection[str]
    calendar: tuple[CalendarEntry, ...]
    paths: PathsOnce
    made: dict[tuple[tuple[str, ...], str], tuple[MorningView | None, tuple[str, ...]]] = field(default_factory=dict)

    def of(self, crews: tuple[Crew, ...], truck_id: str) -> tuple[MorningView | None, tuple[str, ...]]:
        """Return the view of some crews, made once: whole, else without what only picture and calendar need; faults."""
        key = (tuple(crew.id for crew in crews), truck_id)
        if key not in self.made:
            makers = (partial(self._view, crews, truck_id, has_extras=has_extras) for has_extras in (True, False))
            self.made[key] = first_made(makers, what=f"{self.frame.site.id}: the view of {', '.join(key[0])}")
        return self.made[key]

    def _view(self, crews: tuple[Crew, ...], truck_id: str, *, has_extras: bool) -> MorningView:
        frame, conclusion = self.frame, self.conclusion
        is_first = frame.edition == MORNING or all(crew.id in self.first_mailed for crew in crews)
        crew_ids = {crew.id for crew in crews}
        strips = {strip.id for strip in frame.site.strips if strip.crew_id in crew_ids}
        return mail_view.build(
            Morning(
                site=conclusion.site_as_it_lies(frame.site),
                crews=crews,
                plan=self.plan,
                decisions=[d for d in conclusion.decisions if d.strip_id in strips],
                outlook=[o for o in conclusion.outlook if o.strip_id in strips],
                weather=conclusion.weather,
                now_utc=frame.now_utc,
                edition=MORNING if is_first else frame.edition,
                # A re-check tells what changed since this morning; the first mail of a day, since the day before.
                changes=conclusion.changes if is_first and conclusion.changes is not None else self._changes(crews),
                order=conclusion.order,
                paths=self.paths.of(strips) if has_extras else {},
                entries=self.calendar if has_extras else (),
                truck_id=truck_id,
                truck_efficiency=frame.config.settings[frame.site.id]["truck_efficiency"],
                haul_road_litres_h=frame.config.settings[frame.site.id]["haul_road_litres_h"],
            )
        )

    def _changes(self, crews: tuple[Crew, ...]) -> tuple[Change, ...] | None:
        """What changed for some crews, each thing once; None where there is nothing to compare with."""
        found = [own for crew in crews if (own := self.changes[crew.id]) is not None]
        if not found:
            return None
        together: list[Change] = []
        for change in (change for own in found for change in own):
            if change not in together:
                together.append(change)
        return tuple(together)


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
        send_utc=wishes.held_until_utc(person, frame.site, frame.now_utc),
    )


def _notice(frame: RunFrame, person: Recipient, reason: str, message_id: str) -> RenderedMail:
    post = Post(
        recipient=person, sender=frame.sender, reply_to=frame.reply_to, message_id=message_id, date_utc=frame.now_utc
    )
    return plain_notice(post, site=frame.site.name, day=frame.day, reason=reason)


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
