"""Facts of what was seen of a strip: water that stood on it, snow that was cleared off, a slick or frozen crust."""

from __future__ import annotations

import math
from collections.abc import Callable

from gonogo import times
from gonogo.decide.lying import pond_end_row
from gonogo.decide.measures import Fact, Known
from gonogo.decide.today import Prepared
from gonogo.decide.windows import epoch_h
from gonogo.moisture.ground_state import GroundState


def _of(meaning: str, pick: Callable[[GroundState], bool]) -> Fact:
    return Fact(unit="yes/no", meaning=meaning, of=lambda k, s: float(pick(k.prepared.inputs.ground(s))))


def _pond_end_h(known: Known, s: int) -> float:
    """When the water that was seen stands no more [epoch h]: drained, or dried off by the model; infinity: not yet."""
    ground, prepared = known.prepared.inputs.ground(s), known.prepared
    if ground.drained_utc is not None:
        return epoch_h(ground.drained_utc)
    row = pond_end_row(prepared.inputs, prepared.cond.standing_mm, s)
    return math.inf if row is None else float(prepared.cond.first_h + row)


def ponded_h(known: Known, s: int) -> float:
    """Return how long the water that was seen has stood, up to now at most [h]; 0 where none was seen."""
    ground, inputs = known.prepared.inputs.ground(s), known.prepared.inputs
    if ground.ponded_utc is None:
        return 0.0
    return max(min(_pond_end_h(known, s), epoch_h(inputs.now_utc)) - epoch_h(ground.ponded_utc), 0.0)


def is_pond_untested(known: Known, s: int) -> float:
    """Return 1 where water was seen and no test was made since it stands no more, NaN where nobody knows the test."""
    inputs = known.prepared.inputs
    if inputs.ground(s).pond_utc is None:
        return 0.0
    age_h = float(inputs.reading_age_h[s])
    return math.nan if math.isnan(age_h) else float(epoch_h(inputs.now_utc) - age_h < _pond_end_h(known, s) - 1e-9)


def is_cleared_untested(known: Known, s: int) -> float:
    """Return 1 where snow was cleared off and no test was made since."""
    inputs = known.prepared.inputs
    cleared_utc = inputs.ground(s).cleared_utc
    if cleared_utc is None:
        return 0.0
    return float(not float(inputs.reading_age_h[s]) < (inputs.now_utc - cleared_utc) / times.HOUR)


def is_fit_to_spread_on(prepared: Prepared, s: int) -> bool:
    """Whether nothing that was seen speaks against a lift on top: no crust that is slick or frozen, no pond today.

    Source: no fill under water, on frozen or on unstable ground, specifications in tests/published/weather_stops.toml.
    """
    ground = prepared.inputs.ground(s)
    if ground.slick_utc is not None or ground.frozen_utc is not None:
        return False
    row = prepared.row_at(prepared.today.from_h)
    if ground.pond_utc is None or row is None:
        return True
    return bool(prepared.cond.standing_mm[row, s] < prepared.inputs.setting("ponding_stop_mm"))


GROUND_FACTS: dict[str, Fact] = {
    "pond_mm": Fact(
        unit="mm",
        meaning="depth of the water that was seen on the strip, 0 where none was",
        of=lambda k, s: k.prepared.inputs.ground(s).pond_mm,
    ),
    "ponded_h": Fact(unit="h", meaning="how long that water has stood, 0 where none was seen", of=ponded_h),
    "is_pond_untested": Fact(
        unit="yes/no",
        meaning="water was seen on the strip, and no test was made since it stands no more",
        of=is_pond_untested,
    ),
    "is_cleared_untested": Fact(
        unit="yes/no",
        meaning="snow was cleared off the strip, and no test was made since",
        of=is_cleared_untested,
    ),
    "is_slick": _of(
        "the crust was seen to be slick, and nobody says that it is firm", lambda g: g.slick_utc is not None
    ),
    "is_crust_frozen": _of(
        "the crust was seen to be frozen, and nobody says that it is firm", lambda g: g.frozen_utc is not None
    ),
}
