"""Facts of water that was put on a strip since its last test."""

from __future__ import annotations

from gonogo.decide.measures import Fact
from gonogo.decide.water.by_test import is_water_by_test

WATER_FACTS: dict[str, Fact] = {
    "untested_water_litres_m2": Fact(
        unit="L/m2",
        meaning="water recorded since the last test",
        of=lambda k, s: k.prepared.inputs.column(k.prepared.inputs.untested_water_litres_m2, s),
    ),
    "is_water_by_test": Fact(
        unit="yes/no",
        meaning="that water was measured by the test before it: both together place the lift as surely as is needed",
        of=lambda k, s: float(is_water_by_test(k.prepared, s)),
    ),
}
