"""A lift to be spread this morning, or that entries say lies there: what it will be, its test, and "roll by"."""

from __future__ import annotations

from gonogo.decide.order.coming_lift import opening_of_new_lift, roll_by_h, spread_stop
from gonogo.decide.order.options import following_mass_kg_m2
from gonogo.decide.plan.basis import Basis
from gonogo.decide.plan.test_first import by_result
from gonogo.decide.windows import moment
from gonogo.moisture.lift_history import NEW_LIFT, REWORK
from gonogo.records.day_plan import NewLift, Task


def new_lift(basis: Basis, s: int) -> NewLift | None:
    """Return the lift to be spread on the strip of row s, or taken to lie there; None where there is neither."""
    inputs, prepared = basis.inputs, basis.prepared
    strip, material = inputs.strips[s], inputs.material(inputs.strips[s])
    history, n_done = basis.histories[strip.id], basis.done.get(strip.id, 0)
    thickness = strip.following_thickness_m
    w_pct = material.omc_pct if material.borrow_w_pct is None else material.borrow_w_pct
    if history.assumed in (NEW_LIFT, REWORK):
        return NewLift(
            lift=n_done + 1,
            is_assumed=True,
            is_rework=history.assumed == REWORK,
            w_pct=w_pct,
            thickness_m=thickness,
            spread_utc=None,
            stop="",
            test=None,
            roll_by_utc=None,
        )
    is_if_rolled = inputs.is_rolled(s) != 1.0 and may_be_rolled(basis, strip.id)
    if not (inputs.is_rolled(s) == 1.0 or is_if_rolled) or n_done + is_if_rolled >= strip.lifts:
        return None
    mass = following_mass_kg_m2(strip)
    opening = opening_of_new_lift(prepared, s, mass)
    stop = spread_stop(prepared, s, mass)
    is_open = opening is not None and not stop
    by_utc = moment(opening.test_h) if opening is not None else None
    return NewLift(
        lift=n_done + 1 + is_if_rolled,
        is_assumed=False,
        is_rework=False,
        is_if_rolled=is_if_rolled,
        w_pct=w_pct,
        thickness_m=thickness,
        spread_utc=moment(prepared.today.from_h) if is_open else None,
        stop=stop,
        test=by_result(basis, strip, material, why="new_lift", by_utc=by_utc, has_water=True) if is_open else None,
        roll_by_utc=moment(roll_by_h(prepared, s, opening)) if opening is not None and is_open else None,
    )


def may_be_rolled(basis: Basis, strip_id: str) -> bool:
    """Return whether rolling was told of which nobody knows: then the next lift may be spread this morning."""
    return any(work.strip_id == strip_id and work.task == Task.ROLL for work, _ in basis.unknown)
