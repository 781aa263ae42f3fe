"""Working hours, stretches and the threshold, where clocks and costs are awkward."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hand_made import DAY, N_HOURS, NOW_UTC, at, morning, row, strip

from gonogo.decide.conditions import conditions
from gonogo.decide.order.options import steps_h
from gonogo.decide.order.today import rain_over_h
from gonogo.decide.today import chance_needed, prepare
from gonogo.decide.verdict import decide
from gonogo.decide.windows import (
    amount_between,
    epoch_h,
    longest_run_h,
    moment,
    starts_h,
    window_chance,
    working,
)
from gonogo.errors import SoilError
from gonogo.records.verdict import Verdict


@pytest.mark.parametrize(
    ("failed", "idle", "needed"),
    [
        (10000.0, 1000.0, 0.9),  # (1 - 0.9) x 10000 = 1000
        (10000.0, 3000.0, 0.7),
        (10000.0, 9000.0, 0.5),  # never below a coin's chance
        (1e9, 1.0, 0.99),
        (10000.0, 0.0, 0.7),  # one of the two alone is not enough
        (0.0, 500.0, 0.7),
    ],
)
def test_the_threshold_is_one_less_the_cost_ratio(failed: float, idle: float, needed: float) -> None:
    costs = {"failed_lift_cost": failed, "idle_crew_cost": idle}
    assert chance_needed(morning(settings=costs)) == pytest.approx(needed)


def test_an_unknown_cost_makes_the_threshold_unknown() -> None:
    assert math.isnan(chance_needed(morning(settings={"failed_lift_cost": math.nan})))


def test_a_moment_survives_the_way_to_hours_and_back() -> None:
    for seconds in (0, 1, 1799, 3599, 86399):
        when = NOW_UTC + timedelta(seconds=seconds)
        assert moment(epoch_h(when)) == when


def test_a_shift_in_a_half_hour_zone_starts_on_the_half_hour() -> None:
    # 7:00 in India is 1:30 UTC; the site is put where that is after dawn
    made = decide(
        morning(
            on_site={"zone": ZoneInfo("Asia/Kolkata"), "longitude_deg": 82.5, "latitude_deg": 20.0},
            now_utc=at(0.5),
        )
    )[0]
    assert made.from_utc == at(1.5)
    assert made.until_utc <= at(11.0)


def test_only_what_is_left_of_the_shift_counts() -> None:
    inputs = morning(now_utc=at(15.75), day=DAY)
    assert working(inputs, DAY).hours == pytest.approx(1.25)
    assert decide(inputs)[0].reason == "not_enough_hours"
    made = decide(morning(now_utc=at(15.25), day=DAY))[0]
    assert (made.verdict, made.from_utc) == (Verdict.COMPACT, at(15.25))
    assert decide(morning(now_utc=at(20.0), day=DAY))[0].next_utc == at(7.0, DAY + timedelta(days=1))


def test_a_morning_may_be_about_tomorrow() -> None:
    made = decide(morning(day=DAY + timedelta(days=1)))[0]
    assert made.from_utc == at(7.0, DAY + timedelta(days=1))


def test_a_shift_past_midnight_is_one_stretch() -> None:
    night = {"shift_start": time(22), "shift_end": time(4)}
    made = decide(morning(on_site=night, settings={"needs_daylight": 0.0}))[0]
    assert made.from_utc == at(22.0)
    assert at(27.25) <= made.until_utc <= at(27.5)


def test_days_on_which_the_clock_is_set_keep_their_real_hours() -> None:
    site = {"zone": ZoneInfo("Europe/Berlin"), "shift_start": time(1), "shift_end": time(5), "working_days": range(7)}
    lengths = {}
    for day in (date(2026, 3, 28), date(2026, 3, 29), date(2026, 10, 25)):
        inputs = morning(on_site=site, settings={"needs_daylight": 0.0}, now_utc=datetime(2026, 3, 1, tzinfo=UTC))
        lengths[day] = working(inputs, day).hours
    assert list(lengths.values()) == [4.0, 3.0, 5.0]


def test_starts_are_the_beginning_and_every_full_hour_that_fits() -> None:
    hours = working(morning(now_utc=at(13.5)), DAY)
    assert [h - epoch_h(at(0.0)) for h in starts_h(hours, 1.5)] == [13.5, 14.0, 15.0]
    assert starts_h(hours, 3.5) == (hours.from_h,)
    assert starts_h(hours, 3.6) == ()
    assert starts_h(hours, math.inf) == ()


def test_part_hours_count_in_proportion() -> None:
    inputs = morning(et0_mm=np.arange(N_HOURS, dtype=np.float64))
    cond = conditions(inputs)
    first = float(cond.first_h)
    assert amount_between(cond, inputs.et0_mm, first + 10.5, first + 12.25) == pytest.approx(0.5 * 10 + 11 + 0.25 * 12)
    assert amount_between(cond, inputs.et0_mm, first + 5.0, first + 5.0) == 0.0
    assert math.isnan(amount_between(cond, inputs.et0_mm, first - 1.0, first + 1.0))


def test_the_longest_run_counts_part_hours_and_knows_when_it_does_not_know() -> None:
    wind = np.full(N_HOURS, 2.0)
    wind[row(10.0)] = 20.0
    inputs = morning(sky={"wind_2m_m_s": wind}, now_utc=at(7.5))
    cond = conditions(inputs)
    assert longest_run_h(cond.is_calm, cond, working(inputs, DAY)) == 6.0
    assert longest_run_h(cond.is_calm, cond, working(morning(now_utc=at(11.75)), DAY)) == 5.25
    wind[row(16.0)] = np.nan
    cond = conditions(morning(sky={"wind_2m_m_s": wind}))
    assert math.isnan(longest_run_h(cond.is_calm, cond, working(inputs, DAY)))


def test_the_forecast_may_stand_on_other_hours_than_the_moisture() -> None:
    inputs = morning()
    later = replace(inputs.weather, hour_utc=inputs.weather.hour_utc + 30)
    # the first 30 hours of the path have no weather: that is the past, and today is known
    assert decide(replace(inputs, weather=later))[0].verdict == Verdict.COMPACT
    too_late = replace(inputs.weather, hour_utc=inputs.weather.hour_utc + 60)
    assert decide(replace(inputs, weather=too_late))[0].rule_id == "not_knowable"


def test_a_strip_too_long_for_any_day_has_no_stretch_and_no_unknown() -> None:
    prepared = prepare(morning(strips=[strip(length_m=5000.0)]))
    assert prepared.best == (None,)


@pytest.mark.parametrize(("start", "chance"), [(9.0, 1.0), (9.9, 0.0), (10.0, 0.0), (12.0, 0.0)])
def test_a_lift_must_still_be_right_when_the_last_pass_is_done(start: float, chance: float) -> None:
    """Two hours of rolling; from noon on the lift is too wet. Rain until it is sealed counts, moisture does not."""
    path = np.full(N_HOURS, 14.0)
    path[row(12.0) :] = 18.0
    cond = conditions(morning(path))
    assert window_chance(cond, 0, epoch_h(at(start)), 2.0, 0.5) == chance


@pytest.mark.parametrize(("first_rain", "chance"), [(11.0, 0.0), (12.0, 0.0), (13.0, 1.0)])
def test_a_lift_must_be_sealed_before_the_rain(first_rain: float, chance: float) -> None:
    """Two hours of rolling from ten on and half an hour of sealing: until half past twelve."""
    rain = np.zeros(N_HOURS)
    rain[row(first_rain)] = 5.0
    cond = conditions(morning(rain_mm=rain))
    assert window_chance(cond, 0, epoch_h(at(10.0)), 2.0, 0.5) == chance


@pytest.mark.parametrize("step", [0, 2, 24])
def test_one_hour_that_does_not_follow_the_one_before_refuses_the_morning(step: int) -> None:
    inputs = morning()
    hours = inputs.hour_utc.copy()
    hours[50:] += step - 1
    with pytest.raises(SoilError, match="hour by hour"):
        replace(inputs, hour_utc=hours)


@pytest.mark.parametrize("last_wet_h", [8, 9])
def test_rain_before_rolling_is_over_at_the_end_of_its_last_likely_hour(last_wet_h: int) -> None:
    rain_mm = np.zeros(N_HOURS)
    rain_mm[row(7) : row(last_wet_h + 1)] = 1.0
    prepared = prepare(morning(rain_mm=rain_mm))
    chosen = prepared.best[0]
    assert chosen is not None
    assert chosen.start_h >= epoch_h(at(last_wet_h + 1))
    assert rain_over_h(prepared, 0) == epoch_h(at(last_wet_h + 1))
    assert rain_over_h(prepare(morning()), 0) == -math.inf


@pytest.mark.parametrize(("lifts", "finest", "step_h"), [(3, 4, 0.25), (4, 4, 0.25), (5, 4, 0.5)])
def test_few_lifts_are_planned_by_the_quarter_and_many_by_the_half_hour(lifts: int, finest: int, step_h: float) -> None:
    strips = [strip(id="N1", lifts=lifts - 1), strip(id="N2", lifts=3)]
    assert steps_h(morning(strips=strips), {"N2": 2}, finest) == {"N1": step_h, "N2": step_h}
