"""The clock of a binder: mellowing and working time each count from when it was mixed in."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from hand_made import N_HOURS, NOW_UTC, material, morning, row

from gonogo.decide.lift_facts import LIFT_FACTS
from gonogo.decide.lift_state import LiftState
from gonogo.decide.measures import Known
from gonogo.decide.today import prepare
from gonogo.decide.verdict import decide
from gonogo.records.site import Binder
from gonogo.records.verdict import Verdict

LIME = Binder(
    kind="lime", mellowing_h=24.0, working_time_h=72.0, temp_min_degc=5.0, night_min_degc=0.0, nights=1, rain_free_h=4.0
)


@pytest.mark.parametrize(("ago_h", "mellows_h", "works_h"), [(20.0, 4.0, 52.0), (30.0, 0.0, 42.0), (80.0, 0.0, 0.0)])
def test_what_is_left_of_a_binder_s_hours(ago_h: float, mellows_h: float, works_h: float) -> None:
    on_site = {"materials": (material(binder=LIME),)}
    lifts = {"N1": LiftState(mixed_utc=NOW_UTC - timedelta(hours=ago_h))}
    known = Known(prepared=prepare(morning(on_site=on_site, lifts=lifts)), watered={})
    assert LIFT_FACTS["mellowing_left_h"].of(known, 0) == pytest.approx(mellows_h)
    assert LIFT_FACTS["working_time_left_h"].of(known, 0) == pytest.approx(works_h)


@pytest.mark.parametrize(
    ("nights", "at_h", "coldest_degc"), [(1, 30, -2.0), (1, 41, 12.0), (2, 41, -2.0), (1, 6, 12.0)]
)
def test_the_nights_of_a_binder_follow_today_s_shift(nights: int, at_h: int, coldest_degc: float) -> None:
    """Work is from 7 to 17: one night reaches to 17:00 of the next day, hour 41."""
    temp = np.full(N_HOURS, 12.0)
    temp[row(at_h)] = -2.0
    on_site = {"materials": (material(binder=replace(LIME, nights=nights)),)}
    known = Known(prepared=prepare(morning(on_site=on_site, sky={"temp_degc": temp})), watered={})
    assert LIFT_FACTS["coldest_nights_degc"].of(known, 0) == coldest_degc


def test_silt_has_a_sentence_of_its_own_and_other_soil_has_not() -> None:
    for soil_class, has_it in (("silt", True), ("silt_loam", True), ("loam", False), ("clay", False), ("sand", False)):
        (made,) = decide(morning(14.0, on_site={"materials": (material(soil_class=soil_class),)}))
        assert made.verdict == Verdict.COMPACT
        assert ("mind_silt" in made.advice) == has_it
