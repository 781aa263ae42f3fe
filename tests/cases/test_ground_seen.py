"""What was seen of a strip stops it, and lets it go again: snow and its clearing, ponds, a slick or frozen crust."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import timedelta

import numpy as np
import pytest
from hand_made import N_HOURS, NOW_UTC, at, material, morning, row, strip

from gonogo.decide.conditions import conditions
from gonogo.decide.order.coming_lift import new_lift_today, spread_stop
from gonogo.decide.today import prepare
from gonogo.decide.verdict import decide
from gonogo.moisture.ground_state import GroundState
from gonogo.records.site import Surface
from gonogo.records.verdict import Decision, Verdict

DEEP = np.full(N_HOURS, 150.0)  # of snow, by the service, all over the site
STRIPS = (strip(id="N1"), strip(id="N2"), strip(id="N3"))
CLEARED = {"N2": GroundState(cleared_utc=at(4))}


def decisions(grounds: Mapping[str, GroundState], **changes: object) -> dict[str, Decision]:
    made = decide(morning(**({"strips": STRIPS, "grounds": grounds} | changes)))
    return {d.strip_id: d for d in made}


def test_a_strip_cleared_of_snow_is_let_go_alone_and_looked_at_first() -> None:
    made = decisions(CLEARED, sky={"snow_lying_mm": DEEP}, reading_age_h=12.0)
    assert [made[s].reason for s in ("N1", "N2", "N3")] == ["snow_lying", "in_window", "snow_lying"]
    assert made["N2"].facts["snow_lying_mm"] == 0.0
    assert made["N1"].facts["snow_lying_mm"] == 150.0
    assert "test_cleared_surface" in made["N2"].test
    assert "record_when_clear" in made["N1"].advice


def test_a_test_since_the_clearing_needs_no_further_look() -> None:
    made = decisions(CLEARED, sky={"snow_lying_mm": DEEP}, reading_age_h=1.0)
    assert (made["N2"].verdict, "test_cleared_surface" in made["N2"].test) == (Verdict.COMPACT, False)


@pytest.mark.parametrize(("grown_mm", "reason"), [(15.0, "in_window"), (25.0, "snow_lying")])
def test_a_clearing_holds_until_the_service_s_snow_has_grown(grown_mm: float, reason: str) -> None:
    depth = np.where(np.arange(N_HOURS) < row(6), 150.0, 150.0 + grown_mm)
    assert decisions(CLEARED, sky={"snow_lying_mm": depth})["N2"].reason == reason


def test_snow_that_settles_and_grows_again_counts_from_its_least() -> None:
    depth = np.where(np.arange(N_HOURS) < row(6), 150.0, 120.0)
    depth[row(7) :] = 145.0
    made = decisions(CLEARED, sky={"snow_lying_mm": depth})["N2"]
    assert (made.reason, made.facts["snow_lying_mm"]) == ("snow_lying", 25.0)


@pytest.mark.parametrize(("water_mm", "reason"), [(2.0, "in_window"), (4.0, "snow_lying")])
def test_a_clearing_holds_until_snow_has_fallen_again(water_mm: float, reason: str) -> None:
    fell = np.zeros(N_HOURS)
    fell[row(5)] = water_mm  # 7 mm deep for each: 14 and 28 against a stop of 20; it was over by the start
    cold = np.where(np.arange(N_HOURS) == row(5), -0.5, 0.5)
    sky = {"snow_lying_mm": DEEP, "snow_mm": fell, "temp_degc": cold, "surface_temp_degc": 1.0}
    assert decisions(CLEARED, sky=sky)["N2"].reason == reason


def test_a_clearing_from_before_the_weather_says_nothing_of_the_snow_that_lies() -> None:
    made = decisions({"N2": GroundState(cleared_utc=at(-60))}, sky={"snow_lying_mm": DEEP})
    assert made["N2"].reason == "snow_lying"


def test_snow_that_was_seen_stops_a_strip_of_which_the_service_knows_none_until_it_melts() -> None:
    seen = {"N1": GroundState(snow_utc=at(4), snow_mm=60.0)}
    made = decisions(seen, sky={"temp_degc": 5.0})
    assert [made[s].reason for s in ("N1", "N2")] == ["snow_lying", "in_window"]
    # 60 mm hold 15 mm of water; 20 degrees melt 2.3 mm of it in an hour.
    warm = conditions(morning(grounds=seen, sky={"temp_degc": 20.0}))
    assert warm.snow_mm[row(4), 0] == pytest.approx(60.0)
    assert warm.snow_mm[row(5), 0] == pytest.approx(60.0 - 4.0 * 20.0 * 2.74 / 24.0)
    assert warm.snow_mm[row(12), 0] == 0.0


def test_unknown_weather_after_a_clearing_lets_nothing_go() -> None:
    unknown = np.where(np.arange(N_HOURS) == row(5), math.nan, 2.0)
    made = decisions(CLEARED, sky={"snow_lying_mm": DEEP, "temp_degc": unknown})
    assert made["N2"].verdict == Verdict.WAIT


SEALED = strip(surface=Surface.SEALED)
ON_CLAY = {"strips": (SEALED,), "on_site": {"materials": (material(soil_class="clay"),)}, "et0_mm": 0.0}


def pond(mm: float, seen_h: float, drained_h: float | None = None) -> dict[str, GroundState]:
    drained = None if drained_h is None else at(drained_h)
    return {"N1": GroundState(ponded_utc=at(seen_h), pond_utc=at(seen_h), pond_mm=mm, drained_utc=drained)}


def test_a_pond_holds_its_strip_while_it_stands() -> None:
    made = decisions(pond(40.0, -26.0), **ON_CLAY)["N1"]
    assert (made.verdict, made.reason) == (Verdict.WAIT, "standing_water")
    assert {"let_water_off", "record_when_drained", "take_off_soft"} <= set(made.advice)
    assert made.facts["pond_mm"] == 40.0
    assert made.facts["ponded_h"] == pytest.approx(26.0 + 5.5)
    assert 20.0 < made.facts["standing_water_mm"] < 40.0


def test_a_drained_pond_waits_for_a_test_and_a_test_lets_it_go() -> None:
    drained = decisions(pond(40.0, -26.0, -3.0), reading_age_h=12.0, **ON_CLAY)["N1"]
    assert (drained.reason, drained.facts["ponded_h"]) == ("pond_not_tested", 23.0)
    assert {"test_before_rolling", "test_both_halves"} <= set(drained.test)
    assert "take_off_soft" not in drained.advice, "it stood for less than a day"
    assert decisions(pond(40.0, -26.0, -3.0), reading_age_h=2.0, **ON_CLAY)["N1"].verdict == Verdict.COMPACT


def test_a_pond_that_dried_off_by_the_model_waits_for_a_test_made_since() -> None:
    # Half a millimetre an hour off sealed clay, which takes in little: 3 mm are below 1 mm within some hours.
    dried = ON_CLAY | {"et0_mm": 0.5}
    assert decisions(pond(3.0, -6.0), reading_age_h=12.0, **dried)["N1"].reason == "pond_not_tested"
    assert decisions(pond(3.0, -6.0), reading_age_h=1.0, **dried)["N1"].verdict == Verdict.COMPACT


def test_a_test_beside_water_that_still_stands_lets_nothing_go() -> None:
    made = decisions(pond(40.0, -6.0), reading_age_h=1.0, **ON_CLAY)["N1"]
    assert (made.reason, made.facts["is_pond_untested"]) == ("standing_water", 1.0)


@pytest.mark.parametrize(
    ("state", "reason", "advice"),
    [
        (GroundState(slick_utc=NOW_UTC - timedelta(hours=1)), "slick_surface", "open_slick"),
        (GroundState(frozen_utc=NOW_UTC - timedelta(hours=1)), "frozen_crust", "clear_frozen"),
    ],
)
def test_a_bad_crust_waits_for_somebody_to_say_that_it_is_firm(state: GroundState, reason: str, advice: str) -> None:
    made = decisions({"N1": state})
    assert (made["N1"].verdict, made["N1"].reason) == (Verdict.WAIT, reason)
    assert advice in made["N1"].advice
    assert made["N2"].verdict == Verdict.COMPACT


@pytest.mark.parametrize(
    ("state", "stop"),
    [
        (GroundState(), ""),
        (GroundState(cleared_utc=at(4)), ""),
        (GroundState(slick_utc=at(4)), "ground_not_fit"),
        (GroundState(frozen_utc=at(4)), "ground_not_fit"),
        (GroundState(ponded_utc=at(-6), pond_utc=at(-6), pond_mm=40.0), "ground_not_fit"),
        (GroundState(ponded_utc=at(-6), pond_utc=at(-6), pond_mm=40.0, drained_utc=at(4)), ""),
    ],
)
def test_no_lift_is_spread_on_a_pond_or_a_bad_crust(state: GroundState, stop: str) -> None:
    prepared = prepare(morning(grounds={"N1": state}, rolled=np.ones(1), **ON_CLAY))
    mass_kg_m2 = SEALED.dry_mass_kg_m2
    assert spread_stop(prepared, 0, mass_kg_m2) == stop
    assert bool(list(new_lift_today(prepared, 0, mass_kg_m2, 0.25))) == (stop == "")
