"""The days ahead."""

from __future__ import annotations

import math
from datetime import date, timedelta

import numpy as np
import pytest
from hand_made import DAY, MEMBERS, N_HOURS, at, morning, row, strip

from gonogo.decide.outlook import outlook
from gonogo.decide.verdict import decide
from gonogo.records.verdict import OutlookDay, Verdict
from gonogo.weather.forecast_status import ForecastStatus


def by_day(**changes: object) -> dict[date, OutlookDay]:
    return {found.day: found for found in outlook(morning(**changes))}


def test_every_strip_has_every_day_of_the_horizon_in_order() -> None:
    found = outlook(morning(strips=[strip(id="A"), strip(id="B")]))
    days = [DAY + timedelta(days=k) for k in range(7)]
    assert [(f.strip_id, f.day) for f in found] == [(s, d) for s in "AB" for d in days]
    assert [f.is_working_day for f in found[:7]] == [True, True, True, False, False, True, True]


def test_a_right_strip_is_workable_all_shift_long() -> None:
    today = by_day()[DAY]
    assert today.chance == 1.0
    assert today.workable_h == 10.0
    assert today.from_utc == at(7.0)
    assert today.w_p10_pct < today.w_mean_pct < today.w_p90_pct


def test_a_rainy_morning_leaves_the_afternoon() -> None:
    thursday = DAY + timedelta(days=1)
    rain = np.zeros(N_HOURS)
    rain[row(6.0, thursday) : row(12.0, thursday)] = 2.0
    found = by_day(rain_mm=rain)[thursday]
    assert (found.rain_mm, found.rain_chance) == pytest.approx((12.0, 1.0))
    assert found.workable_h == 5.0
    assert found.from_utc == at(12.0, thursday)


def test_chances_and_rain_are_shares_of_the_members() -> None:
    thursday = DAY + timedelta(days=1)
    rain = np.zeros((N_HOURS, MEMBERS))
    rain[row(0.0, thursday) : row(0.0, thursday) + 24, :20] = 1.0
    found = by_day(rain_mm=rain)[thursday]
    assert found.chance == pytest.approx(0.6)
    assert found.rain_chance == pytest.approx(0.4)
    assert found.rain_mm == pytest.approx(0.4 * 24)
    assert found.workable_h == 0.0  # below the 0.7 that the site asks for


def test_drying_opens_the_window_day_by_day() -> None:
    drying = np.interp(np.arange(N_HOURS), [row(7.0), N_HOURS - 1], [18.0, 12.5])
    found = by_day(w_pct=drying)
    chances = [found[DAY + timedelta(days=k)].chance for k in range(7)]
    assert chances[0] == 0.0
    assert chances == sorted(chances)
    assert chances[-1] == 1.0
    assert found[DAY].from_utc is None


def test_todays_row_agrees_with_todays_verdict() -> None:
    for w_pct in (12.0, 14.0, 15.8, 16.5, 18.0):
        inputs = morning(w_pct)
        today = outlook(inputs)[0]
        (made,) = decide(inputs)
        assert today.chance == pytest.approx(made.facts["chance_in_window"])
        assert (made.verdict == Verdict.COMPACT) == (today.chance >= 0.7)


def test_an_unusable_forecast_promises_no_window() -> None:
    for found in outlook(morning(sky={"status": ForecastStatus.NONE})):
        assert math.isnan(found.chance)
        assert found.from_utc is None


def test_a_day_too_short_for_the_strip_has_no_chance_and_an_unknown_one_is_unknown() -> None:
    assert by_day(strips=[strip(length_m=3000.0)])[DAY].chance == 0.0
    wind = np.full(N_HOURS, 2.0)
    wind[row(0.0, DAY + timedelta(days=1)) :] = np.nan
    found = by_day(sky={"wind_2m_m_s": wind})
    assert found[DAY].chance == 1.0
    assert math.isnan(found[DAY + timedelta(days=2)].chance)


def test_an_hour_counts_only_if_the_lift_is_still_right_at_its_end() -> None:
    path = np.full(N_HOURS, 14.0)
    path[row(12.0) :] = 18.0
    assert by_day(w_pct=path)[DAY].workable_h == 4.0  # 7 to 11: the hour from 11 on ends too wet
