"""Rolling time, drums, vibration. Trade facts here are common practice, no source, unless a source is named."""

from __future__ import annotations

import math

import pytest
from hand_made import SETTINGS, crew, material, morning, roller, strip

from gonogo.decide import rolling
from gonogo.decide.verdict import decide
from gonogo.records.site import Drum


def test_a_strips_own_number_of_passes_goes_before_the_rollers() -> None:
    six, three = rolling.rolling_time_h(strip(), roller()), rolling.rolling_time_h(strip(passes=3), roller())
    assert six == pytest.approx(2.0 * three)


def test_passes_overlap_the_one_before_and_that_costs_time() -> None:
    # 8 m in whole lanes: 5 of 1.95 m, 6 of 1.5 m
    assert [rolling.lanes(8.0, roller(overlap_m=m)) for m in (0.15, 0.6)] == [5, 6]
    assert rolling.rolling_time_h(strip(), roller(overlap_m=0.6)) == pytest.approx(
        1.2 * rolling.rolling_time_h(strip(), roller())
    )


def test_a_strip_is_rolled_in_whole_lanes_and_each_run_ends_with_a_turn() -> None:
    # 5 lanes x 6 passes of 100 m at 4 km/h, 45 minutes in the hour
    assert rolling.rolling_time_h(strip(), roller()) == pytest.approx(30 * 1.5 / 45.0)
    assert rolling.rolling_time_h(strip(), roller(), turn_min=0.5) == pytest.approx(30 * 2.0 / 45.0)
    assert rolling.lanes(7.81, roller()) == 5
    assert rolling.lanes(7.8, roller()) == 4


def test_a_roller_that_never_finishes_takes_for_ever() -> None:
    for broken in ({"speed_km_h": 0.0}, {"overlap_m": 2.1}, {"efficiency": 0.0}):
        assert rolling.rolling_time_h(strip(), roller(**broken)) == math.inf
    assert math.isnan(rolling.rolling_time_h(strip(), roller(speed_km_h=math.nan)))


@pytest.mark.parametrize(
    ("drum", "soil_class", "suits"),
    [
        (Drum.SMOOTH, "sand", True),
        (Drum.SMOOTH, "clay", False),
        (Drum.PADDED, "clay", True),
        (Drum.PADDED, "sand", False),  # sheepsfoot not for cohesionless soil: TRID 26506
        (Drum.PNEUMATIC, "silt_loam", True),
    ],
)
def test_smooth_drum_for_granular_soil_and_padded_drum_for_clay(drum: Drum, soil_class: str, suits: bool) -> None:
    assert rolling.drum_suits(roller(drum=drum), material(soil_class=soil_class)) == suits


def test_the_drum_runs_as_dead_weight_within_fifteen_metres_of_a_structure_by_default() -> None:
    # 49 ft from 0.1 in/s, exponent 1.1: Caltrans 2013
    assert not rolling.must_not_vibrate(strip(distance_to_structure_m=15.1), roller(), SETTINGS)
    assert rolling.must_not_vibrate(strip(distance_to_structure_m=14.8), roller(), SETTINGS)
    older_residence = {"vibration_limit_mm_s": 7.62}
    assert not rolling.must_not_vibrate(strip(distance_to_structure_m=6.0), roller(), older_residence)
    assert rolling.must_not_vibrate(strip(distance_to_structure_m=5.0), roller(), older_residence)


def test_an_unknown_limit_counts_as_near_and_a_static_roller_never_vibrates() -> None:
    assert rolling.must_not_vibrate(strip(distance_to_structure_m=500.0), roller(), {})
    assert rolling.must_not_vibrate(strip(may_vibrate=False), roller(), SETTINGS)
    assert not rolling.must_not_vibrate(strip(may_vibrate=False), roller(vibrates=False), SETTINGS)


def test_faster_than_the_usual_range_finishes_no_sooner_and_slower_takes_its_time() -> None:
    usual, fast, slow = (roller(speed_km_h=v) for v in (6.0, 12.0, 3.0))
    assert rolling.rolling_time_h(strip(), fast, 6.0) == pytest.approx(rolling.rolling_time_h(strip(), usual, 6.0))
    assert rolling.rolling_time_h(strip(), slow, 6.0) == pytest.approx(2.0 * rolling.rolling_time_h(strip(), usual))
    assert math.isnan(rolling.rolling_time_h(strip(), usual, math.nan))


def test_a_morning_counts_no_speed_above_the_usual_range_and_says_so() -> None:
    limit = SETTINGS["rolling_speed_max_km_h"]
    for factor in (1.0, 2.0):
        crews = (crew(roller=roller(speed_km_h=limit * factor)),)
        (made,) = decide(morning(on_site={"crews": crews}))
        assert made.rolling_time_h == pytest.approx(
            rolling.rolling_time_h(strip(), roller(speed_km_h=limit), turn_min=SETTINGS["roller_turn_min"])
        )
        assert ("rolling_too_fast" in made.advice) is (factor > 1.0)
