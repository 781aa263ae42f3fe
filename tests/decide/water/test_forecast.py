"""A strip as it would be after watering, on days to come."""

from __future__ import annotations

import math
from datetime import timedelta

import numpy as np
import pytest
from hand_made import DAY, MEMBERS, N_HOURS, SETTINGS, at, crew, hourly, material, morning, row, strip

from gonogo.decide.conditions import conditions
from gonogo.decide.outlook import outlook
from gonogo.decide.today import prepare
from gonogo.decide.verdict import decide
from gonogo.decide.water.forecast import borrow_dose_litres_m2, chance_watered, doses_on, truck_time
from gonogo.decide.windows import amount_between, epoch_h, running_sum, working
from gonogo.records.verdict import Verdict

THURSDAY = DAY + timedelta(days=1)


def test_a_dry_strip_has_no_chance_by_itself_and_a_good_one_watered() -> None:
    for found in outlook(morning(9.0)):
        assert found.chance == 0.0
        assert found.chance_watered == pytest.approx(1.0)


def test_a_right_strip_a_wet_one_and_one_without_truck_or_time_have_no_chance_watered() -> None:
    for inputs in (
        morning(14.5),
        morning(18.0),
        morning(9.0, on_site={"crews": (crew(truck=None),)}),
        morning(9.0, settings={"soak_in_h": 24.0}),
        morning(9.0, strips=[strip(lift_thickness_m=0.35)]),
        morning(2.0, strips=[strip(lift_thickness_m=0.30, dry_density_kg_m3=1700.0)]),  # more than is put on at all
    ):
        assert all(math.isnan(found.chance_watered) for found in outlook(inputs))


def test_todays_chance_watered_goes_with_todays_verdict() -> None:
    inputs = morning(9.0, sd_pct=0.5)
    (made,) = decide(inputs)
    assert made.verdict == Verdict.WATER
    assert outlook(inputs)[0].chance_watered >= SETTINGS["compact_chance_min"]


def test_a_wide_spread_cannot_be_watered_right() -> None:
    narrow, wide = (outlook(morning(9.0, sd_pct=sd_pct))[1].chance_watered for sd_pct in (0.3, 3.0))
    assert narrow == pytest.approx(1.0)
    assert wide < 0.6


def test_rain_and_frost_count_against_a_watered_strip_too() -> None:
    rain = np.zeros((N_HOURS, MEMBERS))
    rain[row(7.0, THURSDAY) : row(17.0, THURSDAY), :20] = 2.0
    assert outlook(morning(9.0, rain_mm=rain))[1].chance_watered <= 0.6 + 1e-9
    temp = hourly(15.0)
    temp[row(0.0, THURSDAY) : row(0.0, THURSDAY) + 24] = -3.0
    assert outlook(morning(9.0, sky={"temp_degc": temp}))[1].chance_watered == 0.0


def test_the_chance_watered_of_two_members_is_reckoned_by_hand() -> None:
    inputs = morning(10.0, sd_pct=1.0, et0_mm=0.5)
    prepared = prepare(inputs)
    start_h, roll_h = epoch_h(at(8.0)), epoch_h(at(10.0))
    found = chance_watered(prepared, 0, 16.0, start_h, roll_h)
    end_h = roll_h + prepared.rolling_h[0]
    members = inputs.w_pct[row(8.0), 0]
    ends = [members + (16.0 - 1.1 * 0.5 * (h - start_h)) / 4.0 for h in (roll_h, end_h)]
    by_hand = np.mean([(12.0 <= a <= 16.0) and (12.0 <= b <= 16.0) for a, b in zip(*ends, strict=True)])
    assert 0.5 < by_hand < 1.0
    assert found == pytest.approx(by_hand)


def test_the_trucks_time_is_filling_driving_spraying_and_the_way_back() -> None:
    prepared = prepare(morning(9.0))
    took = truck_time(prepared, strip(), crew().truck, 10.0)
    assert took.first_h == pytest.approx(15.0 / 60.0 / 0.83)
    assert took.leave_h == pytest.approx(5.0 / 60.0 / 0.83)
    assert took.spray_h > 0.0
    for nothing in (0.0, -1.0, math.nan):
        assert truck_time(prepared, strip(), crew().truck, nothing) is None


def test_a_dose_outside_what_is_put_on_is_none() -> None:
    hours = working(morning(), THURSDAY)
    (dosed,) = doses_on(prepare(morning(9.0)), 0, hours)
    assert dosed.litres_m2 == pytest.approx(20.0 + 1.1 * 0.15, abs=0.01)
    assert list(doses_on(prepare(morning(13.95, et0_mm=0.0)), 0, hours)) == []
    assert list(doses_on(prepare(morning(9.0, settings={"soak_in_h": math.nan})), 0, hours)) == []


def test_what_a_fresh_lift_lacks_follows_from_its_borrow() -> None:
    assert borrow_dose_litres_m2(material(), 400.0) == 0.0
    assert borrow_dose_litres_m2(material(borrow_w_pct=12.0), 400.0) == 0.0
    assert borrow_dose_litres_m2(material(borrow_w_pct=11.0), 400.0) == pytest.approx(12.0)
    assert math.isnan(borrow_dose_litres_m2(material(borrow_w_pct=16.5), 400.0))


def test_a_rolled_lift_waits_for_the_next_one_and_has_no_chance() -> None:
    rolled, other = outlook(morning(strips=[strip(id="A"), strip(id="B")], rolled=np.array([1.0, 0.0])))[::7]
    assert (rolled.is_rolled, rolled.chance, rolled.workable_h, rolled.from_utc) == (True, 0.0, 0.0, None)
    assert math.isnan(rolled.chance_watered)
    assert (other.is_rolled, other.chance) == (False, 1.0)


def test_a_running_sum_is_the_sum_of_the_hours_and_unknown_only_where_one_is() -> None:
    inputs = morning()
    cond = conditions(inputs)
    rng = np.random.default_rng(1)
    hourly_mm = rng.uniform(0.0, 2.0, N_HOURS)
    total = running_sum(cond.first_h, hourly_mm)
    for _ in range(50):
        from_h = cond.first_h + float(rng.uniform(0, N_HOURS - 10))
        until_h = from_h + float(rng.uniform(0, 9))
        assert total.between(from_h, until_h) == pytest.approx(float(amount_between(cond, hourly_mm, from_h, until_h)))
    hourly_mm[5] = np.nan
    gappy = running_sum(cond.first_h, hourly_mm)
    assert np.isnan(gappy.between(cond.first_h + 5.5, cond.first_h + 5.6))
    assert np.isnan(gappy.between(cond.first_h + 3.0, cond.first_h + 8.0))
    assert not np.isnan(gappy.between(cond.first_h + 6.0, cond.first_h + 8.0))
    assert np.isnan(total.between(cond.first_h - 1.0, cond.first_h + 1.0))
    assert np.isnan(total.between(cond.first_h + 1.0, cond.first_h + N_HOURS + 1.0))


def test_what_evaporates_between_truck_and_roller_is_lost_and_what_rains_is_gained() -> None:
    """400 kg/m2 at 10 %: 10 L/m2 make 12.5 %, half a point above the dry edge; 4 mm lost in two hours are a point."""
    for weather, chance in (({}, 1.0), ({"et0_mm": 4.0 / 1.1 / 2.0}, 0.0), ({"rain_mm": 0.09}, 1.0)):
        prepared = prepare(morning(10.0, sd_pct=0.01, **({"et0_mm": 0.0} | weather)))
        assert chance_watered(prepared, 0, 10.0, epoch_h(at(8.0)), epoch_h(at(10.0))) == chance, weather
    # At the wet edge the same sun is a help.
    for et0_mm, chance in ((0.0, 0.0), (4.0 / 1.1 / 2.0, 1.0)):
        prepared = prepare(morning(10.0, sd_pct=0.01, et0_mm=et0_mm))
        assert chance_watered(prepared, 0, 26.0, epoch_h(at(8.0)), epoch_h(at(10.0))) == chance
