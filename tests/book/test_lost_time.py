"""Hours of a shift that were lost, and to what."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from gonogo import times
from gonogo.book import lost_time
from gonogo.book.lost_time import ShiftHours, causes_by_hour, is_adverse, lost_by_site, lost_by_strip
from gonogo.decide.keys import REASONS
from gonogo.records.verdict import Decision, Verdict

START_UTC = datetime(2026, 5, 12, 12, tzinfo=UTC)


def shift(rain: tuple[int, ...] = (), frost: tuple[int, ...] = ()) -> ShiftHours:
    """Ten hours, some of them wet or frosty, the last one half."""
    hours = np.ones(10)
    hours[-1] = 0.5
    never = np.zeros(10, dtype=bool)
    return ShiftHours(
        hour_utc=times.hours_utc(START_UTC, 10),
        hours=hours,
        is_rain=np.isin(np.arange(10), rain),
        is_snow=never,
        is_frost=np.isin(np.arange(10), frost),
    )


def decision(reason: str, window: tuple[int, int] | None = None) -> Decision:
    moments = (None, None) if window is None else tuple(START_UTC.replace(hour=12 + h) for h in window)
    nan = float("nan")
    return Decision(
        strip_id="N1",
        verdict=Verdict.WAIT if window is None else Verdict.COMPACT,
        rule_id="x",
        reason=reason,
        from_utc=moments[0],
        until_utc=moments[1],
        next_utc=None,
        facts={},
        seen=(),
        advice=(),
        test=(),
        water=None,
        w_now_pct=nan,
        w_p10_pct=nan,
        w_p90_pct=nan,
        w_top_pct=nan,
        w_base_pct=nan,
        reading_age_h=nan,
        rolling_time_h=nan,
    )


def test_every_reason_of_a_verdict_says_what_it_costs() -> None:
    assert set(lost_time.CAUSE_OF_REASON) == set(REASONS)


def test_a_wait_loses_the_whole_shift_to_its_reason_but_the_hours_in_which_it_rained_to_rain() -> None:
    lost = lost_by_strip(shift(rain=(2, 3)), causes_by_hour(shift(rain=(2, 3)), decision("too_wet")))
    assert lost.by_cause == {"wet ground": 7.5, "rain": 2.0}
    assert (lost.total_h, lost.cause) == (9.5, "wet ground")


def test_a_window_is_not_lost_whatever_fell_in_it() -> None:
    causes = causes_by_hour(shift(rain=(4,)), decision("in_window", (1, 5)))
    assert causes[1:5] == ("",) * 4
    assert causes[0] == causes[5] == "outside the told window"


@pytest.mark.parametrize("reason", ["already_rolled", "day_off"])
def test_what_is_done_or_off_loses_nothing(reason: str) -> None:
    assert lost_by_strip(shift(), causes_by_hour(shift(), decision(reason))).total_h == 0.0


def test_a_site_loses_only_the_hours_in_which_no_strip_could_be_rolled() -> None:
    hours = shift(rain=(0, 1))
    open_strip = causes_by_hour(hours, decision("in_window", (4, 9)))
    wet_strip = causes_by_hour(hours, decision("too_wet"))
    lost = lost_by_site(hours, [open_strip, wet_strip, wet_strip])
    assert lost.by_cause == {"rain": 2.0, "wet ground": 2.5}
    assert lost_by_site(hours, []).total_h == 0.0


def test_half_a_day_lost_to_weather_is_adverse_and_missing_tests_are_not_weather() -> None:
    hours = shift()
    wet = lost_by_site(hours, [causes_by_hour(hours, decision("too_wet"))])
    untested = lost_by_site(hours, [causes_by_hour(hours, decision("no_reading"))])
    assert is_adverse(wet, 9.5)
    assert not is_adverse(untested, 9.5)
    assert not is_adverse(wet, 0.0), "no shift, no adverse day"
    rained = [
        lost_by_site(hours, [causes_by_hour(shift(rain=tuple(range(n))), decision("no_reading"))]) for n in (4, 5)
    ]
    assert [is_adverse(lost, 9.5) for lost in rained] == [False, True], "4 and 5 hours of rain of 9.5"
