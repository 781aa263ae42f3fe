"""The plan of a run: the order of work, and what changed since a previous run."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from gonogo.decide.changes import PreviousRun, changes
from gonogo.decide.conclusion import Conclusion
from gonogo.decide.order import propose
from gonogo.moisture.lift_history import lifts_done
from gonogo.morning.previous import Earlier
from gonogo.records.field import Entry
from gonogo.records.site import Site
from gonogo.weather.forecast_status import ForecastStatus
from gonogo.weather.series import fallen_mm

log = logging.getLogger("gonogo.morning.plan")


def planned(
    conclusion: Conclusion, site: Site, *, entries: Sequence[Entry], now_utc: datetime, earlier: Earlier | None
) -> Conclusion:
    """Return a conclusion with its order of work and what changed; unchanged where it has no verdict."""
    judgement, weather = conclusion.judgement, conclusion.weather
    if judgement is None or weather is None or weather.status is ForecastStatus.NONE:
        return conclusion
    before = earlier or Earlier()
    proposed = propose.propose(
        judgement.inputs,
        judgement.decisions,
        done={strip.id: lifts_done(strip, entries, now_utc) for strip in site.strips},
        before=before.order,
    )
    found = None
    if before.said is not None:
        found = changes(
            site,
            before.said,
            PreviousRun(at_utc=now_utc, decisions=judgement.decisions, outlook=judgement.outlook, order=proposed),
            entries=entries,
            fallen_mm=fallen_mm(weather, before.said.at_utc, now_utc),
            settings=judgement.inputs.settings,
        )
    faults = (*conclusion.faults, f"order of work as given: {proposed.fault}") if proposed.fault else conclusion.faults
    return replace(conclusion, order=proposed, changes=found, faults=faults)
