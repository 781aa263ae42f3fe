"""Facts are measured once where that is enough: the same numbers as strip by strip, anew."""

from __future__ import annotations

import numpy as np
import pytest
from hand_made import N_HOURS, morning, strip

from gonogo.decide.facts import FACTS, collect
from gonogo.decide.measures import Known
from gonogo.decide.today import prepare
from gonogo.decide.water.watering import Outcome

RAIN_MM = np.where(np.arange(N_HOURS) % 9 == 4, 1.5, 0.0)


@pytest.mark.parametrize("rain_mm", [0.0, RAIN_MM])
def test_facts_of_the_day_and_those_kept_are_what_each_strip_would_have_by_itself(rain_mm: object) -> None:
    strips = [
        strip(id="N1"),
        strip(id="N2", length_m=900.0, material_id="silt"),
        strip(id="N3", lift_thickness_m=0.4, dry_density_kg_m3=1500.0),
    ]
    inputs = morning(
        np.array([9.0, 14.0, 17.0]),
        sd_pct=1.0,
        rain_mm=rain_mm,
        strips=strips,
        reading_age_h=np.array([2.0, 30.0, np.inf]),
        rolled=np.array([0.0, 1.0, 0.0]),
    )
    watered = {0: Outcome(dose_litres_m2=16.0, is_in_time=0.0, is_taken=1.0, is_rained_on=1.0)}
    prepared = prepare(inputs)
    dry, wet = Known(prepared=prepared, watered={}), Known(prepared=prepared, watered=watered)
    before = collect(dry)
    for known, found in ((dry, before), (wet, collect(wet, before))):
        assert list(found) == list(FACTS)
        for name, fact in FACTS.items():
            one_by_one = [fact.of(known, s) for s in range(len(strips))]
            np.testing.assert_array_equal(found[name], one_by_one, err_msg=name)
    assert collect(wet, before)["dose_litres_m2"].tolist() == [16.0, np.inf, np.inf]
