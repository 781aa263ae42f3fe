"""What the results of a told test had the crew do, as the mail's own branches say it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from gonogo.moisture.lift_history import LiftHistory
from gonogo.records.day_plan import StripPlan, TestFirst, Then
from gonogo.records.field import Reading

# A second test so soon stands beside the first, and nothing was done between them: our own choice.
BESIDE = timedelta(hours=1)


def deciding(history: LiftHistory, from_utc: datetime, until_utc: datetime) -> list[Reading]:
    """Return the tests between a plan and a moment that may be those it asked for, oldest first.

    A density test is made on a rolled lift, and so is whatever comes after "rolled": it orders nothing of an open one.
    """
    rolled = (w.at_utc for w in history.works if w.work == "rolled" and w.at_utc > from_utc)
    until_rolled = min(rolled, default=None)
    return [
        reading
        for reading in history.readings
        if from_utc < reading.at_utc <= until_utc
        and reading.dry_density_kg_m3 is None
        and (until_rolled is None or reading.at_utc < until_rolled)
    ]


def ordered(test: TestFirst, readings: Sequence[Reading]) -> tuple[Then | None, float]:
    """Return what the tests on record since a plan, oldest first and at least one, ordered, and by which content [%].

    None where the last of them is at an edge of the limits, and the second test that decides is not on record. A lift
    that gets water on its top while it is rolled counts as rolled, as one that is aired first counts as disked.
    """
    w_pct = readings[-1].w_pct
    if len(readings) > 1 and _is_beside(test, readings[-2], readings[-1]):
        w_pct = 0.5 * (readings[-2].w_pct + w_pct)
        low_pct, high_pct = test.mean_low_pct, test.mean_high_pct
    elif _is_at_edge(test, w_pct):
        return None, w_pct
    else:
        low_pct, high_pct = _released_from(test), test.high_pct
    if w_pct < low_pct:
        return test.below, w_pct
    return (test.inside if w_pct <= high_pct else test.above), w_pct


def before_rolling(told: StripPlan, readings: Sequence[Reading]) -> Then | None:
    """Return what the tests between a plan and a rolling that waits for them ordered; None where nothing decides."""
    if not readings:
        return None
    if told.test is not None:
        return ordered(told.test, readings)[0]
    return Then.ROLL if told.low_pct <= readings[-1].w_pct <= told.high_pct else Then.HOLD


def _is_beside(test: TestFirst, first: Reading, second: Reading) -> bool:
    return _is_at_edge(test, first.w_pct) and second.at_utc - first.at_utc <= BESIDE


def _released_from(test: TestFirst) -> float:
    """Return the lowest result of which the lift is rolled, with water on its top or without [%]."""
    return test.damp_from_pct if test.damp_from_pct < test.low_pct else test.low_pct


def _is_at_edge(test: TestFirst, w_pct: float) -> bool:
    """Return whether a single result has a second test made; one that is NaN asks for none."""
    settled_to_pct = test.air_to_pct if test.air_to_pct > test.high_pct else test.high_pct
    return test.again_from_pct <= w_pct < _released_from(test) or settled_to_pct < w_pct <= test.again_to_pct
