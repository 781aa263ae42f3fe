"""The forecast status: how far a forecast may be relied on, by its age, by its model's run and by the clocks."""

from __future__ import annotations

from datetime import datetime, timedelta
from enum import StrEnum

FRESH_UNTIL_H = 6.0
OLD_UNTIL_H = 24.0
CLOCKS_APART_H = 0.25  # an answer may be stamped this much ahead of our clock; beyond it a clock is wrong
CLOCK_WRONG_H = 1.0  # a clock that is so far off puts shifts and rain at the wrong hours: no trust
MODEL_OLD_H, MODEL_DEAD_H = 24.0, 48.0  # age of the model's run behind an answer; common sense, no source


class ForecastStatus(StrEnum):
    """How far a forecast may be trusted."""

    FRESH = "fresh"  # up to 6 h old: normal
    OLD = "old"  # 6 to 24 h: labelled, spread widened
    NONE = "none"  # older, absent or rejected: nobody is told to compact


# By what the rain's spread is multiplied; common practice, no source.
WIDENING = {ForecastStatus.FRESH: 1.0, ForecastStatus.OLD: 1.5, ForecastStatus.NONE: 2.0}


def age_h(fetched_utc: datetime, now_utc: datetime) -> float:
    """Return the age of an answer [h], negative where its stamp lies ahead of the clock."""
    return (now_utc - fetched_utc) / timedelta(hours=1)


def status_by_age(forecast_age_h: float) -> ForecastStatus:
    """Return how far a forecast of an age [h] may be trusted.

    An age that is unknown (NaN), or ahead of the clock by over a quarter of an hour, means a wrong clock: no trust.
    """
    if -CLOCKS_APART_H <= forecast_age_h <= FRESH_UNTIL_H:
        return ForecastStatus.FRESH
    if FRESH_UNTIL_H < forecast_age_h <= OLD_UNTIL_H:
        return ForecastStatus.OLD
    return ForecastStatus.NONE


def status_by_clock(clock_offset_s: float) -> ForecastStatus:
    """Return how far anything may be trusted when the service's clock is so far ahead of ours [s]; NaN: not known."""
    off_h = abs(clock_offset_s) / 3600.0
    if off_h > CLOCK_WRONG_H:
        return ForecastStatus.NONE
    return ForecastStatus.OLD if off_h > CLOCKS_APART_H else ForecastStatus.FRESH


def status_by_model_run(issued_utc: datetime | None, now_utc: datetime) -> ForecastStatus:
    """Return how far a forecast may be trusted by the age of the model's run behind it, where the service tells it."""
    if issued_utc is None:
        return ForecastStatus.FRESH
    run_age_h = (now_utc - issued_utc) / timedelta(hours=1)
    if run_age_h > MODEL_DEAD_H:
        return ForecastStatus.NONE
    return ForecastStatus.OLD if run_age_h > MODEL_OLD_H else ForecastStatus.FRESH


def lowest(*statuses: ForecastStatus) -> ForecastStatus:
    """Return the least trusting of several."""
    return max(statuses, key=list(ForecastStatus).index)
