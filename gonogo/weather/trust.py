"""The ladder of trust: how far a forecast may be relied on, by its age, by its model's run and by the clocks."""

from __future__ import annotations

from datetime import datetime, timedelta
from enum import StrEnum

FRESH_UNTIL_H = 6.0
OLD_UNTIL_H = 24.0
CLOCKS_APART_H = 0.25  # an answer may be stamped this much ahead of our clock; beyond it a clock is wrong
CLOCK_WRONG_H = 1.0  # a clock that is so far off puts shifts and rain at the wrong hours: no trust
MODEL_OLD_H, MODEL_DEAD_H = 24.0, 48.0  # age of the model's run behind an answer; common sense, no source


class Rung(StrEnum):
    """How far a forecast may be trusted."""

    FRESH = "fresh"  # up to 6 h old: normal
    OLD = "old"  # 6 to 24 h: labelled, spread widened
    NONE = "none"  # older, absent or rejected: nobody is told to compact


WIDENING = {Rung.FRESH: 1.0, Rung.OLD: 1.5, Rung.NONE: 2.0}  # of the rain's spread; common practice, no source


def age_h(fetched_utc: datetime, now_utc: datetime) -> float:
    """Return the age of an answer [h], negative where its stamp lies ahead of the clock."""
    return (now_utc - fetched_utc) / timedelta(hours=1)


def rung(forecast_age_h: float) -> Rung:
    """Return how far a forecast of an age [h] may be trusted.

    An age that is unknown (NaN), or ahead of the clock by over a quarter of an hour, means a wrong clock: no trust.
    """
    if -CLOCKS_APART_H <= forecast_age_h <= FRESH_UNTIL_H:
        return Rung.FRESH
    if FRESH_UNTIL_H < forecast_age_h <= OLD_UNTIL_H:
        return Rung.OLD
    return Rung.NONE


def clock_rung(clock_offset_s: float) -> Rung:
    """Return how far anything may be trusted when the service's clock is so far ahead of ours [s]; NaN: not known."""
    off_h = abs(clock_offset_s) / 3600.0
    if off_h > CLOCK_WRONG_H:
        return Rung.NONE
    return Rung.OLD if off_h > CLOCKS_APART_H else Rung.FRESH


def model_rung(issued_utc: datetime | None, now_utc: datetime) -> Rung:
    """Return how far a forecast may be trusted by the age of the model's run behind it, where the service tells it."""
    if issued_utc is None:
        return Rung.FRESH
    run_age_h = (now_utc - issued_utc) / timedelta(hours=1)
    return Rung.NONE if run_age_h > MODEL_DEAD_H else Rung.OLD if run_age_h > MODEL_OLD_H else Rung.FRESH


def lowest(*rungs: Rung) -> Rung:
    """Return the least trusting of some rungs."""
    return max(rungs, key=list(Rung).index)
