"""The plan of a run: the order of work, and what changed since the previous run."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np

from gonogo import times
from gonogo.decide.changes import Said, changes
from gonogo.decide.conclusion import Conclusion
from gonogo.decide.order import propose
from gonogo.moisture.lift_history import lifts_done
from gonogo.morning.previous import PreviousRuns
from gonogo.records.field import Entry
from gonogo.records.site import Site
from gonogo.weather.series import HourlyWeather, Rung

log = logging.getLogger("gonogo.morning.plan")


def planned(
    conclusion: Conclusion, site: Site, *, entries: Sequence[Entry], now_utc: datetime, previous: PreviousRuns
) -> Conclusion:
    """Return a conclusion with its order of work and what changed; unchanged where it has no verdict."""
    judgement, weather = conclusion.judgement, conclusion.weather
    if judgement is None or weather is None or weather.rung is Rung.NONE:
        return conclusion
    proposed = propose.propose(
        judgement.inputs,
        judgement.decisions,
        done={strip.id: lifts_done(strip, entries, now_utc) for strip in site.strips},
        before=previous.order,
    )
    found = None
    if previous.last is not None:
        now = Said(at_utc=now_utc, decisions=judgement.decisions, outlook=judgement.outlook, order=proposed)
        rained_mm = _rained_mm(weather, previous.last.at_utc, now_utc)
        found = changes(site, previous.last, now, entries=entries, rained_mm=rained_mm)
    faults = (*conclusion.faults, f"order of work as given: {proposed.fault}") if proposed.fault else conclusion.faults
    return replace(conclusion, order=proposed, changes=found, faults=faults)


def _rained_mm(weather: HourlyWeather, since_utc: datetime, now_utc: datetime) -> float:
    """Rain between two moments [mm], NaN where the table does not reach back."""
    since = times.as_hour(since_utc)
    if since < weather.hour_utc[0]:
        return float("nan")
    past = (weather.hour_utc >= since) & (weather.hour_utc < times.as_hour(now_utc))
    return float(np.sum(weather.rain_mm[past]))
