"""Working hours in which rolling was prevented, and by what: told windows beside the hours of the shift.

An hour of the shift counts as lost to a strip that still has a lift to be rolled where the day's last verdict gave it
no rolling window over that hour. What it was lost to: rain, snow or frost where the weather service's later account has
it in that very hour, else what the verdict named. A day of adverse weather is one of which weather prevented at least
half, a rule of thumb of public works contracts (U.S. Army Corps of Engineers, ER 415-1-15, in general words, from
memory); a contract's own rule goes before it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from gonogo.records.verdict import Decision

Bools = npt.NDArray[np.bool_]

RAIN, SNOW, FROST, STORM, WET_GROUND = "rain", "snow", "frost", "storm", "wet ground"
DRY_GROUND, MISSING_TEST, NO_FORECAST, SHORT_SHIFT = "dry ground", "missing test", "no forecast", "short shift"
OUTSIDE_WINDOW, REWORK = "outside the told window", "rework"
WEATHER_CAUSES = (RAIN, SNOW, FROST, STORM, WET_GROUND)
ADVERSE_SHARE = 0.5  # of the scheduled day: ER 415-1-15, see above

# What a verdict's reason says the hours were lost to; "" = nothing is lost. A test holds that each reason stands here.
CAUSE_OF_REASON: dict[str, str] = {
    "in_window": OUTSIDE_WINDOW,
    "too_dry": DRY_GROUND,
    "not_knowable": NO_FORECAST,
    "no_forecast": NO_FORECAST,
    "forecast_too_old": NO_FORECAST,
    "rain_not_known": NO_FORECAST,
    "day_off": "",
    "roller_away": "",
    "already_rolled": "",
    "lift_accepted": "",
    "density_failed": REWORK,
    "lift_in_rework": REWORK,
    "layer_over_method": REWORK,
    "machine_not_of_method": REWORK,
    "binder_time_over": REWORK,
    "binder_mellowing": "",
    "binder_mix_first": "",
    "binder_air_cold": FROST,
    "binder_nights_cold": FROST,
    "binder_rain": RAIN,
    "binder_too_wet": WET_GROUND,
    "binder_in_time": OUTSIDE_WINDOW,
    "not_enough_hours": SHORT_SHIFT,
    "frozen": FROST,
    "stormy": STORM,
    "weather_leaves_no_time": STORM,
    "rain_too_soon": RAIN,
    "work_not_recorded": MISSING_TEST,
    "watered_not_tested": MISSING_TEST,
    "no_reading": MISSING_TEST,
    "reading_too_old": MISSING_TEST,
    "reading_doubtful": MISSING_TEST,
    "retest_after_rain": RAIN,
    "too_uncertain": MISSING_TEST,
    "test_outside": MISSING_TEST,
    "again_outside": MISSING_TEST,
    "too_wet": WET_GROUND,
    "split_lift": WET_GROUND,
    "lift_too_thick_to_mix": DRY_GROUND,
    "rain_will_wet_it": DRY_GROUND,
    "no_truck": DRY_GROUND,
    "roller_full": DRY_GROUND,
    "crust_roller_full": DRY_GROUND,
    "truck_taken": DRY_GROUND,
    "no_time_for_water": DRY_GROUND,
    "standing_water": WET_GROUND,
    "slick_surface": WET_GROUND,
    "frozen_crust": FROST,
    "pond_not_tested": MISSING_TEST,
    "rain_on_water": RAIN,
    "snow_lying": SNOW,
    "too_cold": FROST,
    "water_for_tomorrow": DRY_GROUND,
    "dry_crust": DRY_GROUND,
    "dry_crust_unwatered": DRY_GROUND,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftHours:
    """The hours of one shift, every array (H,); what the weather service did not account for is False everywhere.

    hour_utc     start of each hour, datetime64
    hours        length of the part of each hour that lies in the shift [h]
    is_rain, is_snow, is_frost   by the service's later account
    """

    hour_utc: npt.NDArray[np.datetime64]
    hours: npt.NDArray[np.float64]
    is_rain: Bools
    is_snow: Bools
    is_frost: Bools


@dataclass(frozen=True, slots=True, kw_only=True)
class Lost:
    """What one strip, or the site, lost of a shift. by_cause: hours by cause; total_h their sum."""

    by_cause: dict[str, float]

    @property
    def total_h(self) -> float:
        return sum(self.by_cause.values())

    @property
    def cause(self) -> str:
        """What most of the hours were lost to, "" where none were."""
        return max(self.by_cause, key=lambda cause: (self.by_cause[cause], cause)) if self.by_cause else ""


def causes_by_hour(shift: ShiftHours, decision: Decision) -> tuple[str, ...]:
    """Return for each hour of a shift what a strip lost it to, "" where it was not lost."""
    spoken = CAUSE_OF_REASON.get(decision.reason, OUTSIDE_WINDOW)
    if not spoken:
        return ("",) * len(shift.hours)
    may_roll = _in_window(shift.hour_utc, decision.from_utc, decision.until_utc)
    seen = ((shift.is_rain, RAIN), (shift.is_snow, SNOW), (shift.is_frost, FROST))
    return tuple(
        "" if may_roll[h] else next((cause for is_so, cause in seen if is_so[h]), spoken)
        for h in range(len(shift.hours))
    )


def lost_by_strip(shift: ShiftHours, causes: Sequence[str]) -> Lost:
    """Return what a strip lost of a shift, from the causes of its hours."""
    by_cause: dict[str, float] = {}
    for hours, cause in zip(shift.hours, causes, strict=True):
        if cause:
            by_cause[cause] = by_cause.get(cause, 0.0) + float(hours)
    return Lost(by_cause=by_cause)


def lost_by_site(shift: ShiftHours, causes_of_strips: Sequence[Sequence[str]]) -> Lost:
    """Return what the site lost: hours in which no strip with work left could be rolled, by the commonest cause.

    causes_of_strips   (S, H), of the strips that still have a lift to be rolled
    """
    if not causes_of_strips:
        return Lost(by_cause={})
    common: list[str] = []
    for at_hour in zip(*causes_of_strips, strict=True):
        common.append("" if not all(at_hour) else max(Counter(at_hour).items(), key=lambda item: (item[1], item[0]))[0])
    return lost_by_strip(shift, common)


def is_adverse(lost: Lost, shift_h: float) -> bool:
    """Return whether weather, and ground wet from it, prevented at least half of a scheduled day."""
    return shift_h > 0 and sum(lost.by_cause.get(cause, 0.0) for cause in WEATHER_CAUSES) >= ADVERSE_SHARE * shift_h


def _in_window(hour_utc: npt.NDArray[np.datetime64], from_utc: datetime | None, until_utc: datetime | None) -> Bools:
    """Whether at least half of each hour lies inside a rolling window."""
    if from_utc is None or until_utc is None:
        return np.zeros(len(hour_utc), dtype=bool)
    middle = hour_utc + np.timedelta64(30, "m")
    start, end = (np.datetime64(moment.replace(tzinfo=None), "m") for moment in (from_utc, until_utc))
    return np.asarray((middle >= start) & (middle <= end))
