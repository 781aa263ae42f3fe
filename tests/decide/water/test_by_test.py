"""Water that a test measured is soaked and rolled, as its branch says; half of it, or a late one, is tested."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hand_made import at, morning, row
from hypothesis import given
from hypothesis import strategies as st

from gonogo.decide.inputs import MorningInputs, TestedWater
from gonogo.decide.today import prepare
from gonogo.decide.verdict import decide
from gonogo.decide.water.by_test import SOON_H, is_water_by_test
from gonogo.decide.windows import epoch_h
from gonogo.records.verdict import Decision, Verdict

WANTED_LITRES_M2 = 0.04 * 400.0  # from 10 to the optimum of 14 %, under 400 kg/m2


def watered(w_pct: float = 10.0, litres_m2: float = WANTED_LITRES_M2, after_h: float = 0.5) -> MorningInputs:
    """A morning whose members know the water, put on a quarter of an hour ago."""
    put_on = TestedWater(w_pct=w_pct, litres_m2=litres_m2, after_h=after_h)
    return replace(
        morning(14.0, sd_pct=0.5, now_utc=at(9.0), untested_water_litres_m2=litres_m2, last_test_pct=w_pct),
        tested_water={"N1": put_on},
        last_water_utc={"N1": at(8.75)},
    )


def verdict(inputs: MorningInputs) -> Decision:
    (decision,) = decide(inputs)
    return decision


@pytest.mark.parametrize("w_pct", [10.2, 11.0, 11.8])
def test_a_dose_of_which_the_lift_took_in_little_is_tested_and_not_ordered_again(w_pct: float) -> None:
    """The truck's water stands on a sealed lift until it is mixed in: the members hold little of it, the lift all."""
    put_on = watered()
    dry = morning(w_pct, sd_pct=0.5, now_utc=at(9.0), untested_water_litres_m2=WANTED_LITRES_M2, last_test_pct=10.0)
    inputs = replace(dry, tested_water=put_on.tested_water, last_water_utc=put_on.last_water_utc)
    assert not is_water_by_test(prepare(inputs), 0)
    decision = verdict(inputs)
    assert (decision.verdict, decision.reason) == (Verdict.WAIT, "watered_not_tested")
    assert decision.water is None


def test_a_whole_dose_is_rolled_once_it_has_soaked_in() -> None:
    inputs = watered()
    decision = verdict(inputs)
    assert decision.verdict == Verdict.COMPACT
    assert decision.from_utc is not None
    soaked_h = epoch_h(at(8.75)) + inputs.soak_h(inputs.strips[0])
    assert epoch_h(decision.from_utc) == pytest.approx(soaked_h)
    assert soaked_h > prepare(inputs).today.from_h


@pytest.mark.parametrize(
    ("changes", "is_enough"),
    [
        ({"litres_m2": 0.45 * WANTED_LITRES_M2}, False),  # it reaches 11.8 %, below the dry edge of 12
        ({"litres_m2": 0.6 * WANTED_LITRES_M2}, False),  # 12.4 %: inside with a chance of 0.68
        ({"litres_m2": 0.62 * WANTED_LITRES_M2}, True),  # 12.48 %: with 0.71
        ({"litres_m2": 1.2 * WANTED_LITRES_M2}, True),  # 14.8 %: beyond the wet edge with a chance of 0.08
        ({"litres_m2": 1.25 * WANTED_LITRES_M2}, False),  # 15.0 %: with 0.12
        ({"after_h": SOON_H}, True),
        ({"after_h": SOON_H + 0.01}, False),
        ({"after_h": -0.01}, False),
        ({"w_pct": math.nan}, False),
        ({"litres_m2": math.nan}, False),
        ({"after_h": math.nan}, False),
    ],
)
def test_only_a_dose_that_places_the_lift_as_surely_as_is_needed_goes_without_a_test(
    changes: dict[str, float], is_enough: bool
) -> None:
    assert is_water_by_test(prepare(watered(**changes)), 0) == is_enough
    if math.isfinite(watered(**changes).column(watered(**changes).untested_water_litres_m2, 0)):
        assert (verdict(watered(**changes)).verdict == Verdict.COMPACT) == is_enough
        assert (verdict(watered(**changes)).reason == "watered_not_tested") != is_enough


def test_water_without_its_test_is_tested() -> None:
    assert verdict(replace(watered(), tested_water={})).reason == "watered_not_tested"


@pytest.mark.parametrize("missing", ["compact_chance_min", "overshoot_chance_max", "dose_min_litres_m2"])
def test_a_missing_number_compacts_nothing(missing: str) -> None:
    inputs = watered()
    without = replace(inputs, settings={k: v for k, v in inputs.settings.items() if k != missing})
    assert verdict(without).verdict == Verdict.WAIT


def test_water_that_cannot_soak_in_before_the_shift_ends_is_tested_tomorrow() -> None:
    inputs = watered()
    late = replace(inputs, last_water_utc={"N1": at(16.5)})
    assert verdict(late).reason == "watered_not_tested"


@given(
    w_pct=st.floats(0.0, 40.0) | st.just(math.nan),
    litres_m2=st.floats(0.5, 60.0),
    after_h=st.floats(-10.0, 100.0) | st.just(math.nan),
)
def test_no_water_makes_a_lift_compact_that_its_members_hold_for_wrong(
    w_pct: float, litres_m2: float, after_h: float
) -> None:
    inputs = watered(w_pct, litres_m2, after_h)
    for members_pct in (9.0, 20.0):
        wrong = morning(members_pct, now_utc=at(9.0), untested_water_litres_m2=litres_m2)
        held = replace(wrong, tested_water=inputs.tested_water, last_water_utc=inputs.last_water_utc)
        assert verdict(held).verdict != Verdict.COMPACT
    assert np.isfinite(inputs.w_pct[0]).all()


def test_what_is_watered_is_told_as_it_lies_once_the_water_has_soaked_in() -> None:
    """The row of the table in which work begins, not the one in which the water is still on its way."""
    path = np.full((len(morning().hour_utc), 1, morning().n_members(0)), 14.0)
    path[: row(9.0) + 1] = 10.0
    soaking = replace(watered(), w_pct=path, w_top_pct=path, w_base_pct=path, last_water_utc={"N1": at(9.0)})
    assert verdict(soaking).w_now_pct == pytest.approx(14.0)
