"""A later re-check: the morning again on the newest forecast, mailed only to crews for whom something changed.

A re-check that comes to no verdict is told to the operator and to no crew: what a crew was mailed in the morning rested
on a forecast that was good then, and stands until a newer one says otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import time
from functools import partial

from gonogo.decide.conclusion import Conclusion
from gonogo.errors import GonogoError
from gonogo.mail import change
from gonogo.mail.phrases import Phrase
from gonogo.morning import previous
from gonogo.morning.compute import conclude
from gonogo.morning.previous import LastMailed
from gonogo.morning.run import MorningResult, claimed, finish
from gonogo.outgoing import mails
from gonogo.outgoing.attempts import first_made
from gonogo.outgoing.frame import RunFrame
from gonogo.records.site import Crew
from gonogo.store import claims


def edition(at: time) -> str:
    """Return the name of the re-check at a local time, as runs and Message-IDs carry it."""
    return f"look-{at:%H%M}"


def run_recheck(frame: RunFrame) -> MorningResult | None:
    """Re-check a site, store what came of it, and put mails into the outbox for whom it concerns.

    None where it is done or another is at it. A crew that was mailed nothing this morning gets its first mail.
    Raises StoreError where the database fails; nothing is then half stored.
    """
    claim = claimed(frame)
    if claim is None:
        return None
    try:
        stored = previous.load(frame)
        conclusion = replace(conclude(frame, stored), works_before=stored.previous.works)
        today = stored.previous.today
        changes, faults = changed(frame, conclusion, today)
        prepared, mail_faults = mails.some_mails(
            frame,
            conclusion,
            changes=changes,
            first_mailed=[crew.id for crew in frame.site.crews if crew.id not in today],
        )
        return finish(frame, claim, conclusion, prepared, mail_faults=(*faults, *mail_faults))
    except GonogoError as error:
        claims.release_run(frame.store, claim, now_utc=frame.now_utc, error=str(error))
        raise


def changed(
    frame: RunFrame, conclusion: Conclusion, today: Mapping[str, LastMailed]
) -> tuple[dict[str, tuple[Phrase, ...] | None], tuple[str, ...]]:
    """Return by crew what is worth a mail, and the faults met on the way; a crew with no news is not there.

    today   by crew what it was mailed last today; None stands for a crew that was mailed nothing yet
    """
    found: dict[str, tuple[Phrase, ...] | None] = {}
    faults: list[str] = []
    for crew in frame.site.crews:
        if crew.id not in today:
            found[crew.id] = None
        elif conclusion.has_verdict:
            # One crew's comparison must not cost the others their mail.
            made, own_faults = first_made(
                (partial(_changes, frame, conclusion, crew, today[crew.id]),),
                what=f"{frame.site.id}: the comparison of crew {crew.id}",
            )
            faults += own_faults
            if made:
                found[crew.id] = made
    return found, tuple(faults)


def _changes(frame: RunFrame, conclusion: Conclusion, crew: Crew, last: LastMailed) -> tuple[Phrase, ...]:
    return change.changes(
        frame.site,
        crew,
        day=frame.day,
        told_utc=last.at_utc,
        now_utc=frame.now_utc,
        told=last.decisions,
        told_outlook=last.outlook,
        decisions=conclusion.decisions,
        outlook=conclusion.outlook,
        settings=frame.config.settings[frame.site.id],
    )
