"""What is left of an order of this day that stands: as it was told, without hours that are over."""

from __future__ import annotations

from dataclasses import replace

from gonogo.decide.plan.basis import Basis
from gonogo.decide.plan_keys import RESULT_IN
from gonogo.decide.standing import Standing
from gonogo.moisture.told_result import deciding, ordered
from gonogo.records.day_plan import DryBack, NewLift, TestFirst


def test(basis: Basis, order: Standing) -> TestFirst | None:
    """Return the deciding test as it was told; once its result is in, nobody is sent to make it."""
    told = _ahead(basis, order.told.test)
    results = deciding(basis.histories[order.told.strip_id], order.told_utc, basis.inputs.now_utc)
    if told is None or not results or ordered(told, results)[0] is None:
        return told
    return replace(told, why=RESULT_IN, by_utc=None)


def new_lift(basis: Basis, order: Standing) -> NewLift | None:
    """Return the lift to come as it was told."""
    coming = order.told.new_lift
    return None if coming is None else replace(coming, test=_ahead(basis, coming.test))


def dry_back(basis: Basis, order: Standing) -> DryBack | None:
    """Return the diskings and tests of the way back as they were told, those whose hours are to come."""
    back, now_utc = order.told.dry_back, basis.inputs.now_utc
    if back is None:
        return None
    ready, late_utc = back.ready, back.again_late_utc
    if ready is not None and ready.at_utc <= now_utc:
        ready = None if late_utc is None or late_utc <= now_utc else replace(ready, at_utc=late_utc)
        late_utc = None
    ahead = tuple(at for at in back.disk_utc if at > now_utc)  # whether one that has begun was done is asked
    return replace(back, disk_utc=ahead, ready=ready, again_late_utc=late_utc)


def _ahead(basis: Basis, told: TestFirst | None) -> TestFirst | None:
    """Return a test without the hour by which its result was wanted, once that is over."""
    is_over = told is not None and told.by_utc is not None and told.by_utc <= basis.inputs.now_utc
    return replace(told, by_utc=None) if told is not None and is_over else told
