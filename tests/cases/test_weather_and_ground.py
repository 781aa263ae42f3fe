"""Mornings that once ruined a lift by weather or ground, each as it must be judged; one test or more a case."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from bodies import MORNING_UTC, changed, row, weather_of
from hand_made import DAY, MEMBERS, N_HOURS, NOW_UTC, at, crew, material, morning, roller, strip
from hand_made import row as hand_row
from hand_made import site as hand_site

from gonogo.decide.order import propose
from gonogo.decide.outlook import outlook
from gonogo.decide.verdict import decide
from gonogo.moisture.learned import frost_put_down, season_put_down
from gonogo.records import shift
from gonogo.records.site import Surface
from gonogo.records.verdict import Decision, Verdict
from gonogo.records.work_order import Work
from gonogo.weather import frost
from gonogo.weather.members import draw
from gonogo.weather.series import with_frost
from gonogo.weather.table import THUNDER_CODES

RNG = 20260617


def body_with(*, drop: tuple[str, ...] = (), at_utc: Mapping[datetime, float] | None = None, **columns: float) -> bytes:
    """Return the invented body with whole columns set to a number, columns left out, and codes of single stamps."""

    def change(body: dict[str, Any]) -> None:
        hourly = body["hourly"]
        for name in ("dew_point_2m", "et0_fao_evapotranspiration", *drop):  # both are checked against the rest
            hourly.pop(name)
        for name, value in columns.items():
            hourly[name] = [None if math.isnan(value) else value] * len(hourly["time"])
        for stamp_utc, code in (at_utc or {}).items():
            hourly["weather_code"][hourly["time"].index(int(stamp_utc.timestamp()))] = code

    return changed(change)


def decision(*args: object, **changes: object) -> Decision:
    (made,) = decide(morning(*args, **changes))
    return made


def rain(first: float, last: float, mm_h: float, day: date = DAY) -> np.ndarray:
    made = np.zeros(N_HOURS)
    made[hand_row(first, day) : hand_row(last, day)] = mm_h
    return made


# --- snow, standing water, frost: the strip as it lies -------------------------------------------------------------


@pytest.mark.parametrize("depth_mm", [50.0, 300.0])
def test_snow_that_lies_on_a_strip_stops_it_although_the_lift_is_right(depth_mm: float) -> None:
    made = decision(sky={"snow_lying_mm": np.full(N_HOURS, depth_mm)})
    assert (made.verdict, made.reason) == (Verdict.WAIT, "snow_lying")
    assert "clear_snow" in made.advice
    assert "check_for_frost" in made.test
    assert decision(sky={"snow_lying_mm": np.full(N_HOURS, 5.0)}).verdict == Verdict.COMPACT


def test_snow_that_melts_by_noon_leaves_the_afternoon() -> None:
    lying = np.where(np.arange(N_HOURS) < hand_row(12.0), 40.0, 0.0)
    made = decision(sky={"snow_lying_mm": lying})
    assert made.verdict == Verdict.COMPACT
    assert made.from_utc >= at(12.0)


def test_the_services_snow_depth_is_read_and_snow_of_before_the_table_melts() -> None:
    deep = weather_of(body_with(snow_depth=0.2))
    assert deep.snow_lying_mm[row(deep, MORNING_UTC)] == pytest.approx(200.0)
    assert deep.melt_mm.sum() == pytest.approx(200.0 / 4.0, rel=0.01)  # settled snow: a quarter of it is water
    bare = weather_of(body_with(snow_depth=0.0))
    assert bare.snow_lying_mm.max() == 0.0


def test_a_service_without_snow_depth_has_what_fell_and_did_not_melt() -> None:
    cold = weather_of(body_with(drop=("snow_depth",), temperature_2m=-4.0, soil_temperature_0cm=-4.0))
    assert cold.melt_mm.sum() == 0.0
    assert np.all(np.diff(cold.snow_lying_mm) >= 0.0)
    assert cold.snow_lying_mm[-1] == pytest.approx(7.0 * cold.snow_mm[:-1].sum())


def test_water_that_stands_on_a_sealed_clay_stops_it_until_it_has_gone() -> None:
    wet = {
        "rain_mm": rain(1.0, 7.0, 3.0),
        "et0_mm": 0.0,
        "strips": [strip(surface=Surface.SEALED)],
        "on_site": {"materials": (material(soil_class="clay"),)},
        "settings": {"heavy_rain_retest_mm": 100.0},
    }
    made = decision(**wet)
    assert made.facts["standing_water_mm"] == pytest.approx(1.5)
    assert made.verdict == Verdict.COMPACT  # but not before the water has gone
    assert made.from_utc >= at(11.0)
    assert {"let_water_off"} <= set(made.advice)
    assert "look_at_surface" in made.test
    long = decision(**(wet | {"strips": [strip(surface=Surface.SEALED, length_m=700.0)]}))
    assert (long.verdict, long.reason) == (Verdict.WAIT, "standing_water")


def test_a_frosty_surface_under_air_above_freezing_asks_for_a_look() -> None:
    surface = np.where((np.arange(N_HOURS) >= hand_row(2.0)) & (np.arange(N_HOURS) < hand_row(6.0)), -1.0, 12.0)
    made = decision(sky={"surface_temp_degc": surface})
    assert made.verdict == Verdict.COMPACT
    assert "check_for_frost" in made.test


# --- rain at or below freezing -------------------------------------------------------------------------------------


def test_rain_that_is_forecast_to_freeze_where_it_falls_is_rain_and_no_hour_to_roll_in() -> None:
    falling = {"snowfall": math.nan, "temperature_2m": -0.5, "precipitation": 1.0}
    freezing = weather_of(body_with(**falling, weather_code=66))
    snowing = weather_of(body_with(**falling, weather_code=73))
    assert freezing.snow_mm.sum() == 0.0
    assert snowing.rain_mm[row(snowing, MORNING_UTC) :].sum() == 0.0
    code = np.where((np.arange(N_HOURS) >= hand_row(8.0)) & (np.arange(N_HOURS) < hand_row(17.0)), 66.0, 0.0)
    assert decision(sky={"weather_code": code}).verdict == Verdict.WAIT


# --- between the mail and the start --------------------------------------------------------------------------------


def test_heavy_rain_between_mail_and_start_asks_for_a_new_test_like_rain_that_fell_before() -> None:
    made = decision(rain_mm=rain(5.0, 8.0, 8.0))  # 24 mm; it stops at 8:00
    assert (made.verdict, made.reason) == (Verdict.WAIT, "retest_after_rain")
    assert made.facts["heaviest_rain_mm"] == pytest.approx(24.0)
    assert "retest_after_rain" in made.test
    light = decision(rain_mm=rain(5.0, 8.0, 1.0))
    assert light.verdict == Verdict.COMPACT


def test_the_order_of_work_marks_days_after_heavy_rain_as_tested_first() -> None:
    wet_night = rain(20.0, 24.0, 6.0)
    inputs = morning(np.where(np.arange(N_HOURS) < hand_row(19.0), 17.5, 14.0), rain_mm=wet_night)
    order = propose.propose(inputs, decide(inputs), done={}, before=None)
    (work,) = [w for w in order.works if w.work == Work.ROLLING]
    assert work.start_utc.date() == DAY + timedelta(days=1)
    assert "test_first" in work.flags
    dry = replace(inputs, weather=replace(inputs.weather, rain_members_mm=np.zeros((N_HOURS, MEMBERS))))
    (calm,) = [w for w in propose.propose(dry, decide(dry), done={}, before=None).works if w.work == Work.ROLLING]
    assert "test_first" not in calm.flags


def test_ten_light_rains_days_apart_are_no_heavy_one() -> None:
    showers = np.zeros(N_HOURS)
    showers[[hand_row(h, DAY - timedelta(days=d)) for d in (0, 1, 2) for h in (0.0, 4.0)]] = 2.0
    assert decision(rain_mm=showers, reading_age_h=50.0, rained_since_reading_mm=12.0).verdict == Verdict.COMPACT


@pytest.mark.parametrize("mm_h", [2.0, 10.0])
def test_no_drop_of_the_truck_falls_into_rain(mm_h: float) -> None:
    falling = rain(9.0, 16.0, mm_h)
    made = decision(9.0, rain_mm=falling, on_site={"holidays": (DAY + timedelta(days=1),)})
    assert made.verdict == Verdict.WAIT
    assert made.water is None
    assert made.reason in ("rain_on_water", "no_time_for_water")


def test_a_shower_delays_the_truck_until_it_is_over() -> None:
    made = decision(9.0, rain_mm=rain(7.0, 10.0, 1.0))
    assert made.verdict == Verdict.WATER
    assert made.water.start_utc >= at(10.0)
    assert made.from_utc >= made.water.finish_utc + timedelta(hours=1)


# --- chance of rain ------------------------------------------------------------------------------------------------


def drawn(rain_mm: np.ndarray, chance: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    lead_h = np.arange(N_HOURS) - hand_row(5.5)
    made = draw(rain_mm, chance, lead_h.astype(float), n_members=MEMBERS, rng=np.random.default_rng(RNG))
    amounts_mm = made.amounts_mm()
    return amounts_mm, made.peaks_mm(lead_h.astype(float), amounts_mm)


def by_chance(rain_mm: np.ndarray, chance: np.ndarray) -> Decision:
    members, peaks = drawn(rain_mm, chance)
    (made,) = decide(morning(rain_mm=members, sky={"rain_peaks_mm": peaks}, settings={"heavy_rain_retest_mm": 100.0}))
    return made


def hours_of(made: Decision) -> float:
    if made.from_utc is None or made.until_utc is None:
        return 0.0
    return (made.until_utc - made.from_utc) / timedelta(hours=1)


@pytest.mark.parametrize("mm_h", [0.1, 0.3, 0.6, 1.0, 2.0])
@pytest.mark.parametrize("first", [7.0, 10.0, 13.0])
def test_a_higher_chance_of_rain_never_lengthens_a_window(mm_h: float, first: float) -> None:
    falling = rain(first, first + 4.0, mm_h)
    known = np.where(falling > 0.0, 1.0, 0.0)
    hours = [hours_of(by_chance(falling, share * known)) for share in np.linspace(0.0, 1.0, 9)]
    assert all(later <= sooner + 1e-9 for sooner, later in itertools.pairwise(hours)), hours


def test_nearly_sure_rain_that_is_light_is_said_and_sealed_for() -> None:
    falling = rain(12.0, 17.0, 0.1)
    made = by_chance(falling, np.where(falling > 0.0, 0.95, 0.0))
    assert made.facts["chance_rain_ahead"] >= 0.9
    assert "seal_before_rain" in made.advice


def test_eight_hours_at_a_fifth_each_are_asked_together() -> None:
    chance = np.zeros(N_HOURS)
    chance[hand_row(8.0) : hand_row(16.0)] = 0.2
    made = by_chance(0.1 * chance, chance)
    assert made.facts["chance_rain_ahead"] > 0.35


# --- what rain brings ----------------------------------------------------------------------------------------------


def test_a_dry_strip_does_not_wait_for_rain_that_its_surface_sheds() -> None:
    falling = rain(12.0, 17.0, 4.0)
    shed = decision(11.0, rain_mm=falling, strips=[strip(surface=Surface.SEALED)])
    soaked = decision(np.where(np.arange(N_HOURS) < hand_row(14.0), 11.0, 14.5), rain_mm=falling)
    assert shed.facts["chance_rain_does_it"] == 0.0
    assert shed.reason != "rain_will_wet_it"
    assert soaked.reason == "rain_will_wet_it"


# --- crust ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("top_pct", [9.7, 11.5])
def test_a_dry_top_over_a_right_mean_gets_a_light_dose_before_it_is_rolled(top_pct: float) -> None:
    made = decision(13.5, top_pct=top_pct, base_pct=15.5)
    assert (made.verdict, made.reason) == (Verdict.WATER, "dry_crust")
    # The upper 100 mm at 1600 kg/m3 up to the optimum of 14 %, and what dries until it is rolled.
    assert made.water.litres_m2 == pytest.approx((14.0 - top_pct) * 1.6, abs=0.6)
    assert made.from_utc >= made.water.finish_utc + timedelta(minutes=29)
    whole = decision(9.0)
    assert made.water.litres_m2 < 0.5 * whole.water.litres_m2


def test_a_dry_top_that_nobody_can_water_is_mixed_and_tested_and_not_compacted() -> None:
    made = decision(13.5, top_pct=10.0, base_pct=15.5, on_site={"crews": (crew(truck=None),)})
    assert (made.verdict, made.reason) == (Verdict.WAIT, "dry_crust_unwatered")
    assert "mix_full_depth" in made.advice
    assert "test_both_halves" in made.test


# --- the evening before --------------------------------------------------------------------------------------------


def test_what_soaks_longer_than_the_day_is_watered_in_the_afternoon_and_rolled_tomorrow() -> None:
    inputs = morning(9.0, settings={"soak_in_h": 12.0})
    (made,) = decide(inputs)
    assert (made.verdict, made.reason) == (Verdict.WAIT, "water_for_tomorrow")
    assert made.water is not None
    assert at(14.0) <= made.water.start_utc < made.water.finish_utc <= at(17.0)
    order = propose.propose(inputs, (made,), done={}, before=None)
    (watering,) = [w for w in order.works if w.work == Work.WATERING]
    (rolling,) = [w for w in order.works if w.work == Work.ROLLING]
    assert watering.start_utc == made.water.start_utc
    assert rolling.start_utc >= made.water.finish_utc + timedelta(hours=12)
    tomorrow = outlook(inputs)[1]
    assert tomorrow.chance_watered > 0.7


def test_clay_takes_a_night_and_a_material_may_say_otherwise() -> None:
    clay = {"materials": (material(soil_class="clay"),)}
    assert decision(9.0, on_site=clay).reason == "water_for_tomorrow"
    broken_up = {"materials": (material(soil_class="clay", soak_in_h=1.0),)}
    assert decision(9.0, on_site=broken_up).verdict == Verdict.WATER


@pytest.mark.parametrize("spoils", [{"rain_mm": rain(16.0, 23.0, 2.0)}, {"frost": True}])
def test_no_water_in_the_evening_before_rain_or_frost(spoils: dict[str, object]) -> None:
    sky = {}
    if spoils.pop("frost", False):
        cold = (np.arange(N_HOURS) >= hand_row(20.0)) & (np.arange(N_HOURS) < hand_row(30.0))
        sky = {"temp_degc": np.where(cold, -1.0, 10.0)}
    made = decision(9.0, settings={"soak_in_h": 12.0}, sky=sky, **spoils)
    assert made.reason != "water_for_tomorrow"
    assert made.water is None


def test_dry_borrow_is_watered_there_with_litres_for_a_cubic_metre() -> None:
    dry = {"materials": (material(borrow_w_pct=10.0),)}
    made = decision(on_site=dry, strips=[strip(lifts=3)])
    assert "water_in_borrow" in made.advice
    assert made.facts["borrow_litres_m3"] == pytest.approx(0.04 * 1600.0)
    assert "water_in_borrow" not in decision(on_site=dry).advice  # no lift comes after this one


def test_haul_roads_take_their_share_of_the_truck() -> None:
    thirsty, dry = (decision(9.0, settings={"haul_road_litres_h": litres}) for litres in (6000.0, 0.0))
    assert thirsty.water.finish_utc > dry.water.finish_utc
    assert thirsty.water.litres_m2 == pytest.approx(dry.water.litres_m2, rel=0.05)


# --- polar night, thunder, wind ------------------------------------------------------------------------------------


def test_polar_night_is_dark_and_the_midnight_sun_is_light() -> None:
    north = replace(hand_site([strip()]), latitude_deg=78.2, longitude_deg=15.6)
    start, end = shift.working_hours_utc(north, date(2026, 12, 15))
    assert start == end
    start, end = shift.working_hours_utc(north, date(2026, 6, 15))
    assert end - start == timedelta(hours=10)


def test_a_thunder_code_is_of_a_moment_and_holds_for_the_hours_on_both_its_sides() -> None:
    """Contract: open-meteo.com/en/docs, hourly variables: weather code instant, rain of the hour before."""
    at_14 = MORNING_UTC.replace(hour=14, minute=0, second=0, microsecond=0)
    made = weather_of(body_with(weather_code=0.0, at_utc={at_14: 95}))
    stormy = np.flatnonzero(np.isin(made.weather_code, THUNDER_CODES))
    assert stormy.tolist() == [row(made, at_14) - 1, row(made, at_14)]


def test_half_an_hour_after_the_last_thunder_belongs_to_it() -> None:
    code = np.zeros(N_HOURS)
    code[hand_row(9.0)] = 95.0
    made = decision(sky={"weather_code": code}, strips=[strip(length_m=500.0)])
    assert made.from_utc >= at(11.0)


def test_the_stop_for_wind_is_the_wind_that_forecasts_tell() -> None:
    at_10_m = 16.0
    assert decision(sky={"wind_2m_m_s": 0.748 * at_10_m}).reason == "stormy"
    assert decision(sky={"wind_2m_m_s": 0.748 * 14.5}).verdict == Verdict.COMPACT


# --- frost that is older than the table ----------------------------------------------------------------------------


def test_frost_of_a_long_winter_is_kept_from_run_to_run() -> None:
    thaw = weather_of(body_with(temperature_2m=3.0, soil_temperature_0cm=3.0))
    assert thaw.frost_depth_mm.max() == 0.0
    first_utc = thaw.hour_utc[0].astype("datetime64[s]").astype(datetime).replace(tzinfo=UTC)
    put_down = season_put_down((), first_utc, 24.0 * 800.0)  # eight hundred degree days
    before = frost_put_down([put_down])
    assert before is not None
    site = hand_site([strip()])
    kept = with_frost(thaw, site, before)
    assert kept.frost_depth_mm[row(kept, MORNING_UTC)] > 500.0
    assert kept.is_ground_frozen.all()
    assert kept.frost_index_degc_h[-1] == pytest.approx(24.0 * 800.0 - 3.0 * len(thaw.hour_utc))


def test_a_site_on_permafrost_says_so_itself() -> None:
    assert frost.frost_of_config({"frost_before_degc_d": 0.0}) is None
    named = frost.frost_of_config({"frost_before_degc_d": 3000.0})
    assert named is not None
    warm = np.full(24 * 27, 5.0)
    assert frost.index_degc_h(warm, before=(0, named.index_degc_h)).min() > 0.0
    assert frost.index_degc_h(warm).max() == 0.0


def test_fill_that_is_colder_than_the_site_allows_waits() -> None:
    made = decision(sky={"temp_degc": 3.0}, settings={"fill_temp_min_degc": 5.0})
    assert (made.verdict, made.reason) == (Verdict.WAIT, "too_cold")
    assert decision(sky={"temp_degc": 3.0}).verdict == Verdict.COMPACT


# --- tests that would settle it ------------------------------------------------------------------------------------


def test_further_tests_that_would_settle_a_strip_are_said_with_what_they_bring() -> None:
    narrow = {"materials": (material(omc_pct=8.0, window_low_pct=-0.8, window_high_pct=0.8),)}
    made = decision(8.0, sd_pct=0.95, on_site=narrow, reading_age_h=2.0)
    assert made.verdict == Verdict.WAIT
    assert 0.55 <= made.facts["chance_in_window"] <= 0.65
    assert made.facts["n_more_tests"] == 1.0
    assert made.facts["chance_after_tests"] >= 0.7
    assert "more_tests_settle" in made.test
    far = decision(10.5, sd_pct=0.95, on_site=narrow, reading_age_h=2.0)
    assert far.facts["n_more_tests"] == 0.0
    assert "more_tests_settle" not in far.test


def test_the_now_of_these_mornings_is_before_the_shift() -> None:
    assert NOW_UTC < at(7.0)
    assert roller().passes == 6
