"""Rows about how a strip was seen to lie: snow, water, a slick or frozen crust, and that they are gone."""

from __future__ import annotations

import math

from gonogo.field.row import TypedRow
from gonogo.records.field import CLEARED, DRAINED, FIRM, FROZEN, POND, SLICK, SNOW, WITH_DEPTH, GroundSeen

STATES = (SNOW, CLEARED, POND, DRAINED, SLICK, FROZEN, FIRM)
GROUND_COLUMNS = ("strip", "state", "lying_mm")
DEEPEST_POND_MM = 500.0  # deeper water is no pond on a strip but a flooded site: common sense, no source


def ground(row: TypedRow) -> GroundSeen:
    """Return what a row says was seen on a strip; faults stand in the row."""
    strip_id = row.strip()
    state = row.one_of("state", STATES, "state of the ground")
    has_depth = state in WITH_DEPTH
    if state and not has_depth and row.text("lying_mm"):
        row.add_fault("lying_mm", f"{state} has no depth.", f"Leave it out; {' and '.join(WITH_DEPTH)} have it.")
    right = f"Write how deep the {state or 'snow or pond'} is in millimetres, for example 30; a guess will do."
    lying_mm = row.number("lying_mm", right, required=has_depth)
    if state == POND and lying_mm > DEEPEST_POND_MM:
        wrong = f"is more than {DEEPEST_POND_MM:.0f} mm of water, which no strip holds."
        row.add_fault("lying_mm", wrong, "Write how deep it stands in millimetres, for example 30.")
    return GroundSeen(
        strip_id=strip_id,
        at_utc=row.moment("at", default=row.now_utc),
        state=state,
        lying_mm=None if math.isnan(lying_mm) else lying_mm,
    )
