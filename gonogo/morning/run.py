"""One run of one site: load, compute, store. A fault on the way becomes "wait, decide on site with a test"."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import partial

from pydantic_core import to_json

from gonogo import __version__
from gonogo.decide.conclusion import Conclusion
from gonogo.errors import GonogoError, StoreError
from gonogo.morning import previous
from gonogo.morning.answers import AskAgainError, ClockRefutedError
from gonogo.morning.compute import conclude, without_verdict
from gonogo.morning.judging import seed
from gonogo.outgoing import mails as outgoing_mails
from gonogo.outgoing import notices
from gonogo.outgoing.attempts import first_made
from gonogo.outgoing.frame import MORNING, RunFrame
from gonogo.outgoing.notices import OperatorNotice
from gonogo.records import shift
from gonogo.records.site import Site
from gonogo.store import claims, clock, learned, outbox, schema
from gonogo.store.claims import Claim, RunRecord, StillClaimedError
from gonogo.store.patience import patiently
from gonogo.store.queued import Envelope


@dataclass(frozen=True, slots=True, kw_only=True)
class MorningResult:
    """A run as it was stored and put into the outbox."""

    site: Site
    day: date
    conclusion: Conclusion
    mails: tuple[Envelope, ...]
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


def run_morning(frame: RunFrame, *, refusal: Refusal | None = None) -> MorningResult | None:
    """Run a site's morning, store it and put its mails into the outbox. None where it is done or another is at it.

    refusal   why no verdict is to be made this morning, None for an ordinary morning

    Verdicts and mails are stored in one transaction: after a crash at any line the run is either whole or free to be
    taken over. Raises ClockRefutedError where another clock says that the morning is not due, StoreError where the
    database fails, and its kind TakenOverError where another finished the morning since this run took too long; nothing
    is then half stored.
    """
    claim = claimed(frame, takes_over=refusal is not None)
    if claim is None:
        return None
    frame = replace(frame, n_void=claim.n_void)
    try:
        faults: tuple[str, ...] = ()
        if refusal is not None:
            none = without_verdict(frame.site, refusal.reason, "not_knowable")
            conclusion = replace(none, faults=refusal.faults)
            prepared = outgoing_mails.plain_mails(frame, refusal.reason)
        else:
            stored = patiently(partial(previous.load, frame), limit_s=frame.patience_s)
            conclusion = replace(conclude(frame, stored), works_before=stored.previous.works)
            prepared, faults = outgoing_mails.mails(frame, conclusion, before=stored.previous.days_before)
        return finish(frame, claim, conclusion, prepared, mail_faults=faults)
    except GonogoError as error:
        let_go(frame, claim, error)
        raise


def let_go(frame: RunFrame, claim: Claim, error: GonogoError) -> None:
    """Give up the claim of a run that failed; one whose clock was refuted, or that is put off, was none.

    Raises StillClaimedError where the database refuses that too: whoever called lets go of the claim later.
    """
    try:
        if isinstance(error, (AskAgainError, ClockRefutedError)):
            claims.drop_claim(frame.store, claim)
        else:
            claims.release_run(frame.store, claim, now_utc=frame.now_utc, error=str(error))
    except StoreError as refusal:
        raise StillClaimedError(claim, str(refusal)) from refusal


def claimed(frame: RunFrame, *, takes_over: bool = False) -> Claim | None:
    """Claim a run, None where it is done or another is at it.

    Raises ClockRefutedError where the database has a clock of its own that says the run is not due.
    """

    wanted = claims.Wanted(
        site_id=frame.site.id, day=frame.day, edition=frame.edition, owner=frame.owner, takes_over=takes_over
    )

    def step() -> Claim | None:
        with schema.begin(frame.store) as connection:
            offset = clock.skew(connection)
            if frame.is_refuted_by(offset):
                raise ClockRefutedError(offset)
            return claims.claim(connection, wanted, now_utc=frame.now_utc)

    return patiently(step, limit_s=frame.patience_s)


def finish(
    frame: RunFrame, claim: Claim, conclusion: Conclusion, prepared: Sequence[Envelope], *, mail_faults: Sequence[str]
) -> MorningResult:
    """Store a run with its mails, and a mail to the operator where it has no verdict or met a fault, in one step."""
    site, now_utc = frame.site, frame.now_utc
    record = RunRecord(
        decisions=conclusion.decisions,
        outlook=conclusion.outlook,
        config_text=_config_text(frame),
        seed=seed(site, frame.day, frame.edition),
        program_version=__version__,
        answer_id=conclusion.answer_id,
        faults=(*conclusion.faults, *(f.splitlines()[-1] for f in mail_faults)),
        error="\n".join(filter(None, (conclusion.error, *mail_faults))),
        order=conclusion.order,
        plan=conclusion.plan,
    )
    envelopes = [*prepared]
    if not conclusion.has_verdict or record.error:
        # A mail to the operator that fails must not cost the crews theirs.
        notice = _notice(frame, conclusion, record, len(prepared))
        to_operator, _ = first_made(
            (lambda: notices.to_operator(frame.config, notice, now_utc=now_utc),),
            what=f"{site.id}: the mail to the operator",
        )
        envelopes += to_operator or ()

    def step() -> None:
        with schema.begin(frame.store) as connection:
            claims.finish_run(connection, claim, record, now_utc=now_utc)
            if conclusion.judgement is not None:
                taught = conclusion.judgement.learned
                learned.save(connection, site.id, taught, made_utc=now_utc, run_id=claim.run_id)
            mails = [replace(envelope, run_id=claim.run_id) for envelope in envelopes]
            outbox.put(connection, mails, now_utc=now_utc, tells=False)  # who has runs made delivers as each ends

    patiently(step, limit_s=frame.patience_s)
    return MorningResult(site=site, day=frame.day, conclusion=conclusion, mails=tuple(prepared), run_id=claim.run_id)


def _notice(frame: RunFrame, conclusion: Conclusion, record: RunRecord, n_mails: int) -> OperatorNotice:
    """Why a run has no verdict, or what failed in it."""
    last = record.error.strip().splitlines()[-1:]
    if frame.edition != MORNING and not n_mails:
        crews = "The crews were not mailed again: what they were told in the morning stands."
    else:
        crews = f"{n_mails} mails went into the outbox all the same, and say what is not known."
    return OperatorNotice(
        site_id=frame.site.id,
        site_name=frame.site.name,
        day=frame.day,
        what=f"run {frame.edition}",
        subject=notices.NOT_WRITTEN if conclusion.has_verdict else f"{notices.NO_VERDICT}, {_named(frame.edition)}",
        lines=[conclusion.reason or "A verdict was made.", *record.faults, *last, crews],
    )


def _named(edition: str) -> str:
    """Name a run as a person would: "morning", "re-check 09:00" (recheck.edition)."""
    at = edition.removeprefix("look-")
    return edition if at == edition else f"re-check {at[:2]}:{at[2:]}"


def by_hand_deadline_utc(site: Site, day: date, now_utc: datetime, deadline_utc: datetime) -> datetime:
    """Return until when the mails of a run started by hand are worth sending: the shift's rest, an hour at least."""
    _, shift_end = shift.shift_utc(site, day)
    return max(deadline_utc, shift_end, now_utc + timedelta(hours=1))


def _config_text(frame: RunFrame) -> str:
    """The accepted configuration of a site as JSON, for the record of the run; it holds no secret."""
    settings = dict(frame.config.settings[frame.site.id])
    return to_json({"site": frame.site, "settings": settings}, fallback=str).decode()
