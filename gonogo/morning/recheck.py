"""A later re-check: the morning again on the newest forecast, mailed only to crews for whom something changed.

A re-check that comes to no verdict is told to the operator and to no crew: what a crew was mailed in the morning rested
on a forecast that was good then, and stands until a newer one says otherwise.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import time
from functools import partial

from gonogo.decide.changes import PreviousRun, badges_of, changes, worth_a_mail
from gonogo.decide.conclusion import Conclusion
from gonogo.errors import GonogoError
from gonogo.morning import previous
from gonogo.morning.compute import conclude
from gonogo.morning.previous import StoredInputs
from gonogo.morning.run import MorningResult, claimed, finish, let_go
from gonogo.outgoing import mails
from gonogo.outgoing.attempts import first_made
from gonogo.outgoing.frame import RunFrame
from gonogo.records.work_order import Change
from gonogo.store.patience import patiently
from gonogo.weather.series import fallen_mm


def edition(at: time) -> str:
    """Return the name of the re-check at a local time: runs, seeds and Message-IDs are made from it, so it stays."""
    return f"look-{at:%H%M}"


def run_recheck(frame: RunFrame) -> MorningResult | None:
    """Re-check a site, store what came of it, and put mails into the outbox for whom it concerns.

    None where it is done or another is at it. A crew that was mailed nothing this morning gets its first mail.
    Raises StoreError where the database fails; nothing is then half stored.
    """
    claim = claimed(frame)
    if claim is None:
        return None
    frame = replace(frame, n_void=claim.n_void)
    try:
        stored = patiently(partial(previous.load, frame), limit_s=frame.patience_s)
        conclusion = replace(conclude(frame, stored), works_before=stored.previous.works)
        moved, faults = changed(frame, stored, conclusion)
        prepared, mail_faults = mails.some_mails(
            frame,
            conclusion,
            changes=moved,
            first_mailed=[crew.id for crew in frame.site.crews if moved.get(crew.id, ()) is None],
        )
        return finish(frame, claim, conclusion, prepared, mail_faults=(*faults, *mail_faults))
    except GonogoError as error:
        let_go(frame, claim, error)
        raise


def changed(
    frame: RunFrame, stored: StoredInputs, conclusion: Conclusion
) -> tuple[dict[str, tuple[Change, ...] | None], tuple[str, ...]]:
    """Return by crew what is worth a mail, and the faults met on the way; a crew with no news is not there.

    None stands for a crew that was mailed nothing yet today, or only that there is no verdict: it gets a first mail.
    """
    found: dict[str, tuple[Change, ...] | None] = {}
    faults: list[str] = []
    for crew in frame.site.crews:
        last = stored.previous.today.get(crew.id)
        if last is None or (conclusion.has_verdict and is_without_verdict(last)):
            found[crew.id] = None
        elif conclusion.has_verdict:
            # One crew's comparison must not cost the others their mail.
            moved, own_faults = first_made(
                (partial(_changes, frame, stored, conclusion, last),),
                what=f"{frame.site.id}: the comparison of crew {crew.id}",
            )
            faults += own_faults
            if moved is not None and worth_a_mail(moved):
                found[crew.id] = moved
    return found, tuple(faults)


def is_without_verdict(last: PreviousRun) -> bool:
    """Return whether a crew was told of no strip more than that nothing can be known."""
    return bool(last.decisions) and all(not decision.facts for decision in last.decisions)


def _changes(frame: RunFrame, stored: StoredInputs, conclusion: Conclusion, last: PreviousRun) -> tuple[Change, ...]:
    assert conclusion.weather is not None, "a conclusion with a verdict has its weather"
    return changes(
        frame.site,
        last,
        PreviousRun(
            at_utc=frame.now_utc,
            decisions=conclusion.decisions,
            outlook=conclusion.outlook,
            badges=badges_of(conclusion.plan),
        ),
        entries=stored.entries,
        fallen_mm=fallen_mm(conclusion.weather, last.at_utc, frame.now_utc),
        settings=frame.config.settings[frame.site.id],
    )
