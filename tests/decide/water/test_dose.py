"""The dose, the truck, and what happens when it cannot do it in time."""

from __future__ import annotations

import itertools
import math
from datetime import timedelta

import numpy as np
import pytest
from hand_made import DAY, MEMBERS, N_HOURS, SETTINGS, SPREAD, at, crew, material, morning, row, strip, truck

from gonogo import units
from gonogo.decide.today import prepare
from gonogo.decide.verdict import decide
from gonogo.decide.water import dose, spraying
from gonogo.records.verdict import Decision, Verdict, WaterPlan

NO_TOMORROW = {"holidays": (DAY + timedelta(days=1),)}


def decision(*args: object, **changes: object) -> Decision:
    (made,) = decide(morning(*args, **changes))
    return made


def plan_of(made: Decision) -> WaterPlan:
    assert made.water is not None
    return made.water


def with_truck(**changes: object) -> dict[str, object]:
    return {"crews": (crew(truck=truck(**changes)),)}


def test_the_dose_is_what_is_missing_and_what_evaporates_less_the_rain_that_falls_first() -> None:
    assert dose.dose_litres_m2(20.0, 1.5, 3.0) == 18.5
    plan = plan_of(decision(9.0, et0_mm=0.5))
    # 5 points of 400 kg/m2
    assert plan.litres_m2 == pytest.approx(20.0 + plan.evaporation_allowance_mm)
    assert plan.litres == pytest.approx(plan.litres_m2 * 800.0)
    assert plan.w_target_pct == pytest.approx(14.0)
    made = decision(9.0, et0_mm=0.5)
    hours = (made.from_utc - plan.start_utc).total_seconds() / 3600.0
    assert plan.evaporation_allowance_mm == pytest.approx(1.1 * 0.5 * hours, abs=0.02)


def test_rain_that_falls_before_rolling_is_taken_off_the_dose() -> None:
    rain = np.zeros(N_HOURS)
    rain[row(7.0) : row(8.0)] = 0.4  # light: below the stop
    dry, rained = plan_of(decision(9.0)), plan_of(decision(9.0, rain_mm=rain))
    assert 0.1 < rained.rain_credit_mm < 0.4
    assert rained.litres_m2 == pytest.approx(dry.litres_m2 - rained.rain_credit_mm, abs=0.02)
    assert rained.limited_by == "rain"
    trace = plan_of(decision(9.0, rain_mm=0.5 * rain))
    assert 0.1 < trace.rain_credit_mm < 0.25
    assert trace.litres_m2 == pytest.approx(dry.litres_m2 - trace.rain_credit_mm, abs=0.02)
    assert trace.limited_by == ""  # no mail says "less, because 0.0 mm of rain is expected first"


def test_the_dose_never_takes_more_than_a_tenth_of_the_members_past_the_wet_edge() -> None:
    made = decision(10.0, sd_pct=2.5, on_site={"materials": (material(window_low_pct=-1.0),)})
    plan = plan_of(made)
    assert plan.limited_by == "wet_edge"
    assert "retest_after_watering" in plan.warnings
    members = 10.0 + 2.5 * SPREAD + (plan.litres_m2 - plan.evaporation_allowance_mm) / 4.0
    assert np.mean(members > 16.0 + 1e-9) <= 0.1
    assert np.mean(members + 0.1 > 16.0) > 0.1
    assert plan_of(decision(10.0)).limited_by == ""


@pytest.mark.parametrize(("chance", "over"), [(0.1, 5), (0.0, 0), (0.11, 5), (1.0, 49)])
def test_the_greatest_dose_leaves_just_so_many_members_over(chance: float, over: int) -> None:
    headroom = np.arange(MEMBERS, dtype=np.float64)
    assert dose.greatest_dose_litres_m2(headroom, chance) == over
    assert math.isnan(dose.greatest_dose_litres_m2(headroom, math.nan))
    assert math.isnan(dose.greatest_dose_litres_m2(np.where(headroom == 3.0, np.nan, headroom), chance))


@pytest.mark.parametrize(
    ("low", "high", "is_granular", "target"),
    [(-2.0, 2.0, False, 14.0), (1.0, 3.0, False, 16.0), (-3.0, -1.0, False, 12.0), (-2.0, 2.0, True, 15.0)],
)
def test_the_target_is_optimum_or_the_middle_of_a_window_that_leaves_it_out(
    low: float, high: float, is_granular: bool, target: float
) -> None:
    made = material(window_low_pct=low, window_high_pct=high, is_granular=is_granular)
    assert dose.target_w_pct(made) == target


def test_a_negative_dose_is_never_planned() -> None:
    for w_pct in np.arange(8.0, 20.0, 0.5):
        for sd_pct in (0.1, 1.0, 3.0):
            made = decision(float(w_pct), sd_pct=sd_pct, et0_mm=0.5)
            if made.water is not None:
                assert made.water.litres_m2 > 0.0
            if made.verdict == Verdict.WATER:
                assert made.water is not None


def test_a_dose_outside_the_usual_band_is_flagged() -> None:
    assert "dose_outside_usual" in plan_of(decision(2.0, settings={"dose_max_litres_m2": 40.0})).warnings
    assert "dose_outside_usual" not in plan_of(decision(9.0)).warnings


def test_a_lift_thicker_than_the_mixer_reaches_gets_no_water() -> None:
    made = decision(9.0, strips=[strip(lift_thickness_m=0.31)])
    assert (made.reason, made.water) == ("lift_too_thick_to_mix", None)
    assert "thin_the_lift" in made.advice
    assert decision(9.0, strips=[strip(lift_thickness_m=0.30)]).verdict == Verdict.WATER


def test_a_right_lift_is_kept_damp_in_strong_evaporation_and_not_otherwise() -> None:
    made = decision(et0_mm=0.7)
    plan = plan_of(made)
    assert (made.verdict, plan.limited_by) == (Verdict.COMPACT, "maintain")
    assert plan.litres_m2 >= 0.7 * 1.1 * made.rolling_time_h - 1e-9
    assert decision(et0_mm=0.3).water is None
    # at the wet edge nothing is added
    assert decision(15.7, sd_pct=0.3, et0_mm=0.7).water is None


# --- the truck ---------------------------------------------------------------------------------------------------


def test_loads_end_where_the_tank_runs_out() -> None:
    plan = plan_of(decision(9.0))
    assert plan.loads == math.ceil(plan.litres / 10000.0)
    assert plan.load_ends_m[0] == pytest.approx(10000.0 / (plan.litres_m2 * 8.0))
    assert plan.load_ends_m[-1] == 100.0
    assert len(plan.load_ends_m) == plan.loads


def test_speed_is_flow_over_bar_width_and_rate_per_pass_within_the_trucks_range() -> None:
    for flow in (200.0, 600.0, 1500.0):
        plan = plan_of(decision(9.0, on_site=with_truck(flow_litres_min=flow)))
        assert plan.speed_km_h == pytest.approx(flow * 60.0 / (1000.0 * 4.0 * plan.litres_m2_per_pass))
        assert plan.passes * plan.litres_m2_per_pass == pytest.approx(plan.litres_m2)
        assert 2.0 <= plan.speed_km_h <= 12.0
        assert not {"speed_outside_range", "more_per_pass_than_soaks_in"} & set(plan.warnings)


def test_what_the_truck_cannot_spray_thinly_enough_is_flagged() -> None:
    made = decision(9.0, on_site=with_truck(flow_litres_min=6000.0))
    # at 12 km/h this bar puts on 7.5 L/m2, and a silt loam takes in 4.2
    plan = plan_of(made)
    assert "more_per_pass_than_soaks_in" in plan.warnings
    assert plan.speed_km_h <= 12.0 + 1e-9
    lonely = spraying.spray(1.0, 4.0, truck(flow_litres_min=6000.0), 8.0)
    assert (lonely.passes, lonely.warnings) == (1, ("speed_outside_range",))


@pytest.mark.parametrize(
    ("width_m", "n"),
    [
        (10.8, 3), (11.0, 3), (11.1, 3), (11.2, 4), (12.0, 4), (3.7, 1), (3.8, 2),
        (36.3, 10), (36.5, 11), (100.0, 28),  # 2.8 m of 100 would lie dry, though they are 3 % of it
    ],
)  # fmt: skip
def test_a_rest_of_the_width_within_the_dose_s_own_tolerance_is_no_lane_of_its_own(width_m: float, n: int) -> None:
    """11 m by a bar of 3.6 m: a fourth lane for 0.2 m cost the truck a run, and the card called it "0 m wide"."""
    assert spraying.lanes(truck(bar_width_m=3.6), width_m) == n


def test_a_bar_that_does_not_divide_the_width_is_flagged() -> None:
    assert "bar_overhangs" in plan_of(decision(9.0, on_site=with_truck(bar_width_m=3.0))).warnings
    assert "bar_overhangs" not in plan_of(decision(9.0)).warnings


def test_each_pass_stays_below_what_the_soil_takes_in() -> None:
    per_pass = {}
    for name in ("sand", "silt_loam", "clay"):
        soil = material(soil_class=name)
        plan = plan_of(decision(9.0, on_site={"materials": (soil,)} | with_truck(speed_min_km_h=0.5)))
        per_pass[name] = plan.litres_m2_per_pass
        assert plan.litres_m2_per_pass <= spraying.pass_limit_litres_m2(soil, 2.0) + 1e-9
    assert per_pass["sand"] > per_pass["silt_loam"] > per_pass["clay"]


def test_strips_are_watered_in_the_order_given_one_after_the_other() -> None:
    strips = [strip(id="A"), strip(id="B"), strip(id="C")]
    plans = [plan_of(made) for made in decide(morning(9.0, strips=strips))]
    assert plans[0].start_utc > at(7.0)  # fill and drive first
    for before, after in itertools.pairwise(plans):
        # the way back, filling, the way out: 20 min at 50 working minutes an hour
        assert (after.start_utc - before.finish_utc).total_seconds() / 60.0 == pytest.approx(20.0 / 0.83, abs=0.1)


def test_rolling_begins_only_after_the_water_has_soaked_in() -> None:
    for soak_h in (0.0, 1.0, 3.0):
        made = decision(9.0, settings={"soak_in_h": soak_h})
        assert (made.from_utc - plan_of(made).finish_utc).total_seconds() / 3600.0 >= soak_h - 1e-3
        assert made.until_utc <= at(16.5)


def test_a_strip_that_the_truck_cannot_finish_waits_and_the_next_one_may_still_fit() -> None:
    big, small = strip(id="big", length_m=700.0), strip(id="small", length_m=50.0)
    made = decide(morning(9.0, strips=[big, small]))
    assert (made[0].verdict, made[0].reason, made[0].water) == (Verdict.WAIT, "no_time_for_water", None)
    assert made[1].verdict == Verdict.WATER


def test_more_strips_than_the_truck_can_do_and_the_last_ones_wait() -> None:
    made = decide(morning(8.0, strips=[strip(id=f"N{k}") for k in range(12)]))
    verdicts = [d.verdict for d in made]
    assert verdicts[0] == Verdict.WATER
    assert verdicts[-1] == Verdict.WAIT
    assert (made[-1].reason, made[-1].water) == ("truck_taken", None)
    assert made[-1].facts["is_truck_taken"] == 1.0
    for d in made:
        if d.verdict == Verdict.WATER:
            assert d.until_utc <= at(16.5)


def test_crews_with_their_own_trucks_do_not_wait_for_each_other() -> None:
    crews = (crew(), crew(id="south", truck=truck(id="second")))
    made = decide(morning(9.0, strips=[strip(id="A"), strip(id="B", crew_id="south")], on_site={"crews": crews}))
    assert plan_of(made[0]).start_utc == plan_of(made[1]).start_utc
    shared = (crew(), crew(id="south"))
    made = decide(morning(9.0, strips=[strip(id="A"), strip(id="B", crew_id="south")], on_site={"crews": shared}))
    assert plan_of(made[0]).finish_utc < plan_of(made[1]).start_utc


def test_no_water_goes_on_where_it_can_ice() -> None:
    temp = np.full(N_HOURS, 8.0)
    temp[row(7.0) : row(9.0)] = temp[row(16.0) : row(20.0)] = -1.0
    made = decision(9.0, sky={"temp_degc": temp})
    assert made.verdict == Verdict.WAIT
    assert made.water is None


def test_rain_on_its_way_that_brings_the_water_keeps_the_truck_away() -> None:
    rain = np.zeros(N_HOURS)
    rain[row(13.0) : row(17.0)] = 3.0
    wetted = np.where(np.arange(N_HOURS) < row(17.0), 11.5, 14.3)  # 10 mm missing, 12 mm due
    made = decision(wetted, rain_mm=rain)
    assert (made.reason, made.water) == ("rain_will_wet_it", None)
    assert decision(wetted - 2.5, rain_mm=rain).reason != "rain_will_wet_it"  # 20 mm missing


def test_rain_that_a_sealed_strip_sheds_is_not_waited_for() -> None:
    rain = np.zeros(N_HOURS)
    rain[row(13.0) : row(17.0)] = 3.0
    assert decision(11.5, rain_mm=rain).reason != "rain_will_wet_it"  # by the model it stays as dry as it is


def test_watering_is_followed_by_mixing_and_a_test() -> None:
    made = decision(9.0)
    assert {"mix_full_depth", "stop_if_it_runs_off"} <= set(made.advice)
    assert "test_after_watering" in made.test


def test_a_second_load_costs_the_way_back_the_filling_and_the_way_out() -> None:
    plan = plan_of(decision(9.0, on_site=with_truck(tank_litres=9000.0)))
    assert plan.loads == 2
    # 100 m by 2 lanes by passes, a turn after each run, and once 5 + 10 + 5 min, at 50 working minutes an hour
    driving_min = 100.0 * 2 * plan.passes / plan.speed_km_h / 1000.0 * 60.0
    driving_min += 2 * plan.loads * plan.passes * SETTINGS["truck_turn_min"]
    spent_min = (plan.finish_utc - plan.start_utc).total_seconds() / 60.0
    assert spent_min == pytest.approx((driving_min + 20.0) / 0.83, abs=0.1)


def test_a_watered_lift_left_lying_has_to_be_rolled_before_it_is_too_dry_again() -> None:
    near_the_edge = {"materials": (material(window_low_pct=-0.5),)}
    made = decision(9.0, et0_mm=0.9, on_site=near_the_edge)
    # 0.5 points are 2 mm, and 1.1 x 0.9 mm go in an hour
    assert (made.until_utc - made.from_utc).total_seconds() / 3600.0 == pytest.approx(3.0, abs=0.01)
    assert decision(9.0, et0_mm=0.1, on_site=near_the_edge).until_utc > at(16.0)
    sooner = decision(9.0, et0_mm=0.95, on_site=near_the_edge)  # 1.1 x 0.95 mm twice are over 2 mm, 0.95 twice are not
    assert (sooner.until_utc - sooner.from_utc).total_seconds() / 3600.0 == pytest.approx(2.0, abs=0.01)


def test_a_truck_that_cannot_spray_thinly_enough_does_not_pass_the_wet_edge_to_keep_a_lift_damp() -> None:
    made = decision(15.74, et0_mm=0.5)
    assert (made.verdict, made.water) == (Verdict.COMPACT, None)
    thinner = decision(15.74, et0_mm=0.5, on_site=with_truck(speed_max_km_h=20.0))
    assert plan_of(thinner).litres_m2 == pytest.approx(0.5 * 1.1 * thinner.rolling_time_h)


def served(made: tuple[Decision, ...]) -> list[str]:
    """Return the strips that are watered, in driving order."""
    watered = [d for d in made if d.verdict == Verdict.WATER]
    return [d.strip_id for d in sorted(watered, key=lambda d: plan_of(d).start_utc)]


def test_the_first_priority_is_watered_before_all_others_only_where_somebody_loses() -> None:
    many = [strip(id=f"N{k}", priority=1 if k == 11 else 3) for k in range(12)]
    order = served(decide(morning(8.0, strips=many)))
    assert order[0] == "N11"
    assert len(order) < 12
    few = [strip(id="A", priority=3), strip(id="B", priority=1)]
    assert served(decide(morning(8.0, strips=few))) == ["A", "B"]


def test_of_equal_priority_those_with_most_area_for_the_trucks_time_are_watered() -> None:
    # Thick lifts take more water for the same area. In the order given the thick ones would take the day.
    thick = [strip(id=f"T{k}", lift_thickness_m=0.30, length_m=150.0) for k in range(4)]
    thin = [strip(id=f"F{k}", lift_thickness_m=0.12, length_m=150.0) for k in range(4)]
    made = decide(morning(8.0, strips=[*thick, *thin], on_site=NO_TOMORROW))
    done = served(made)
    assert done[:4] == ["F0", "F1", "F2", "F3"]
    assert len(done) < 8
    for one_made in made:
        if one_made.strip_id not in done:
            assert (one_made.verdict, one_made.reason) == (Verdict.WAIT, "truck_taken")


def test_whoever_loses_has_no_dose_and_whoever_is_watered_is_rolled_after_soaking_in_before_the_shift_ends() -> None:
    strips = [strip(id=f"N{k}", priority=1 + k % 5) for k in range(14)]
    for made in decide(morning(8.0, strips=strips, on_site=NO_TOMORROW)):
        if made.verdict == Verdict.WATER:
            assert (made.from_utc - plan_of(made).finish_utc).total_seconds() / 3600.0 >= SETTINGS["soak_in_h"] - 1e-3
            assert made.until_utc <= at(17.0 - SETTINGS["seal_time_h"])
        else:
            assert made.water is None


def test_two_trucks_of_a_kind_serve_side_by_side() -> None:
    strips = [strip(id=f"N{k}") for k in range(12)]
    one_truck = served(decide(morning(8.0, strips=strips)))
    two = decide(morning(8.0, strips=strips, on_site=with_truck(count=2)))
    assert plan_of(two[0]).start_utc == plan_of(two[1]).start_utc < plan_of(two[2]).start_utc
    assert len(served(two)) >= 2 * len(one_truck) - 1


def test_water_on_a_wet_edge_that_is_unknown_is_no_water() -> None:
    made = decision(9.0, settings={"overshoot_chance_max": math.nan})
    assert (made.verdict, made.reason, made.water) == (Verdict.WAIT, "not_knowable", None)


# --- what a driver works by ----------------------------------------------------------------------------------------


def test_a_small_last_load_is_left_out_and_the_others_reach_farther() -> None:
    assert spraying.whole_loads_litres(31_000.0, 10_000.0) == 31_000.0
    assert spraying.whole_loads_litres(30_400.0, 10_000.0) == 30_000.0
    assert spraying.whole_loads_litres(10_250.0, 10_000.0) == 10_000.0
    # less than a twentieth of a tank, but more than the dose may be missed by
    assert spraying.whole_loads_litres(10_450.0, 10_000.0) == 10_450.0
    assert spraying.whole_loads_litres(9_000.0, 10_000.0) == 9_000.0
    plan = plan_of(decision(9.0, on_site=with_truck(tank_litres=8_050.0)))
    assert plan.loads == math.ceil(plan.litres / 8_050.0 - 1e-9)
    assert plan.load_ends_m[-1] == 100.0


def test_the_speed_as_it_is_printed_puts_the_dose_on_to_three_per_cent() -> None:
    rng = np.random.default_rng(7)
    worst = 0.0
    for _ in range(2000):
        lorry = truck(
            flow_litres_min=float(rng.uniform(300, 1500)),
            bar_width_m=float(rng.uniform(2.5, 4.5)),
            speed_min_km_h=2.0,
            speed_max_km_h=12.0,
        )
        found = spraying.spray(float(rng.uniform(3.0, 25.0)), float(rng.uniform(3.0, 9.0)), lorry, 12.0)
        if not found.warnings or found.warnings == ("bar_overhangs",):
            for system in ("metric", "us"):
                shown, _, _ = units.shown("speed_km_h", found.speed_km_h, system)
                printed_km_h = shown * (1.0 if system == "metric" else units.KM_PER_MILE)
                worst = max(worst, abs(found.speed_km_h / printed_km_h - 1.0))
    assert 0.01 < worst <= spraying.DOSE_TOLERANCE


def test_a_short_section_waits_for_each_pass_to_soak_in() -> None:
    lorry = truck()
    thin = spraying.spray(12.0, 4.0, lorry, 4.0)
    pace = spraying.Pace(efficiency=1.0, turn_min=0.5, soak_min=2.0)
    took = spraying.trips(12.0, thin, lorry, length_m=10.0, width_m=4.0, pace=pace)
    # one lane of 10 m is done in well under two minutes: each pass but the last waits for the rest of them
    round_min = 10.0 / (thin.speed_km_h * 1000.0) * 60.0 + 0.5
    assert took.spray_h * 60.0 == pytest.approx(round_min + (thin.passes - 1) * 2.0)
    long = spraying.trips(12.0, thin, lorry, length_m=200.0, width_m=4.0, pace=pace)
    assert long.spray_h * 60.0 == pytest.approx(thin.passes * (200.0 / (thin.speed_km_h * 1000.0) * 60.0 + 0.5))


def test_between_clods_a_pass_holds_more_than_clay_takes_in() -> None:
    assert spraying.pass_limit_litres_m2(material(soil_class="clay"), 2.0) == spraying.CLODS_HOLD_LITRES_M2
    assert spraying.pass_limit_litres_m2(material(soil_class="sand"), 2.0) > spraying.CLODS_HOLD_LITRES_M2
    assert math.isnan(spraying.pass_limit_litres_m2(material(soil_class="clay"), math.nan))


def test_a_crust_lacks_water_in_its_upper_hundred_millimetres_alone() -> None:
    # 0.1 m at 1600 kg/m3 are 160 kg/m2; four points of that are 6.4 kg.
    prepared = prepare(morning(14.0, top_pct=10.0, sd_pct=0.0))
    assert dose.crust_litres_m2(prepared, 0, row(7), 14.0) == pytest.approx(6.4)


def test_haul_roads_take_their_share_of_each_load_s_time() -> None:
    # A load of 10,000 L: 10 min to fill, twice 5 on the road, 16.7 to spray, over the efficiency.
    inputs = morning(settings={"truck_efficiency": 0.8, "haul_road_litres_h": 3000.0})
    load_h = (20.0 / 60.0 + 10000.0 / 600.0 / 60.0) / 0.8
    assert spraying.efficiency_of(inputs, truck()) == pytest.approx(0.8 * (1.0 - 0.3 * load_h))
